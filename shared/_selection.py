"""Choosing parameters by pattern, by group, and by a name that may be misspelt."""

from __future__ import annotations

from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

from shared.errors import ParameterError, suggest_names

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from shared._parameter import Parameter

__all__: list[str] = []


def matching_names(parameters: Sequence[Parameter], globs: Iterable[str]) -> set[str]:
    """Collect the names that any pattern or group names; refuse a pattern without a match."""
    chosen: set[str] = set()
    for glob in globs:
        found = {p.name for p in parameters if p.group == glob or fnmatchcase(p.name, glob)}
        if not found:
            raise ParameterError(
                f'"{glob}" names no parameter. {name_hint(parameters, glob)}',
                name=glob,
                value=glob,
            )
        chosen |= found
    return chosen


def name_hint(parameters: Sequence[Parameter], name: str) -> str:
    """Help with an unknown name or pattern: near ones, or else the groups."""
    groups = sorted({parameter.group for parameter in parameters})
    names = [parameter.name for parameter in parameters]
    # A pattern is compared with patterns of the same form: "filtr*" with "filter*".
    is_pattern = "*" in name
    known = _patterns(names) if is_pattern else [*names, *groups]
    return suggest_names(name, known) or (
        f"The space has {len(names)} parameters in the groups {', '.join(groups)}."
    )


def _patterns(names: Iterable[str]) -> list[str]:
    """List a pattern for each part of the voice: ``filter.*``, ``*.vibrato.*``."""
    patterns: dict[str, None] = {}
    for name in names:
        parts = name.split(".")
        patterns.update({f"{parts[0]}*": None, f"*{parts[-1]}": None})
        if len(parts) > 2:
            patterns[f"*.{parts[1]}.*"] = None
    return list(patterns)
