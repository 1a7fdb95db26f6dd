"""Parts of a patch by their titles, by words of them, or by parameter names."""

from __future__ import annotations

import re
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

from matcher.explaining._switches import every_switch, works
from shared import CATALOGUE, ParameterError, suggest_names

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matcher.explaining._switches import Switch

__all__: list[str] = []


def find_parts(texts: Sequence[str], values: Mapping[str, float]) -> tuple[Switch, ...]:
    """Find the parts that a user names, each once, in the order in which they were named."""
    every = tuple(every_switch(values))
    present = [s for s in every if any(works(name, values) for name in s.off)]
    titles = ", ".join(f'"{switch.title}"' for switch in present)
    if not texts:
        raise ParameterError(
            f"no part is named; one or more of {titles} are accepted.", name="part"
        )
    found: list[Switch] = []
    for text in texts:
        chosen = [switch for switch in present if _is_meant(text, switch)]
        if not chosen:
            raise ParameterError(_refusal(text, every, titles), name="part", value=text)
        exact = [switch for switch in chosen if _words(switch.title) == _words(text)]
        found += [switch for switch in exact or chosen if switch not in found]
    silent = [s for s in found if not _sounds_without(s, values)]
    if silent:
        raise ParameterError(
            f'"{silent[0].title}" is all that sounds in this patch, so it can\'t be left out; '
            f"another of {titles} is accepted.",
            name="part",
            value=silent[0].title,
        )
    return tuple(found)


def _is_meant(text: str, switch: Switch) -> bool:
    """Say whether a text means a part."""
    pattern = text.strip().lower()
    if any(fnmatchcase(name, pattern) or name.startswith(f"{pattern}.") for name in switch.off):
        return True
    words = _words(text)
    return bool(words) and set(words) <= set(_words(switch.title))


def _words(text: str) -> list[str]:
    """Split into words and numbers, without what tells nothing."""
    return re.findall(r"[a-z]+|\d+", text.lower())


def _refusal(text: str, every: Sequence[Switch], titles: str) -> str:
    """Say why nothing was found."""
    absent = [switch.title for switch in every if _is_meant(text, switch)]
    if absent:
        return (
            f'"{text}" is not in this patch ({absent[0]} does nothing); one or more of {titles} '
            "are accepted."
        )
    known = [*(switch.title for switch in every), *CATALOGUE.names]
    hint = suggest_names(text, known)
    return f'"{text}" is no part; one or more of {titles} are accepted. {hint}'.rstrip()


def _sounds_without(switch: Switch, values: Mapping[str, float]) -> bool:
    """Say whether anything is left when a part is left out."""
    left = {**values, **switch.off}
    return any(level > 0.0 for name, level in left.items() if name.endswith("level"))
