"""What is printed of the ladder of a run: from the longest patch to the shortest."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from matcher.texts.words import WIDTH

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__: list[str] = []

INDENT = 24


def format_ladder(rungs: Sequence[Mapping[str, Any]], *, is_whole: bool) -> str:
    """List rungs as `run.json` has them; an arrow marks the suggested one."""
    lines = ["   settings  distance"]
    for rung in rungs:
        mark = "->" if rung["is_suggested"] else "  "
        head = f"{mark} {rung['settings']:8d}  {rung['distance']:8.2f}  "
        said = "; ".join(f"+ {text}" for text in rung["adds"]) or "the plain voice"
        lines += textwrap.wrap(
            said,
            WIDTH,
            initial_indent=head,
            subsequent_indent=" " * INDENT,
            break_on_hyphens=False,
        )
    if not is_whole:
        lines.append("Shorter ones weren't tried: the time was over.")
    return "\n".join(lines)
