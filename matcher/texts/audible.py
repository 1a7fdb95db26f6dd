"""What is still audible, and what isn't, as two lists."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matcher.texts.lines import WIDTH, shorten

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.hearing import AudibleDifference

__all__: list[str] = []

# With several notes, the largest differences of each are enough; run.json has all of them.
MOST_LINES = 6

Compared = tuple[str, "Sequence[AudibleDifference]"]


def format_audible(notes: Sequence[Compared]) -> str:
    """List what is still audible, the largest difference first, and what is not."""
    is_single = len(notes) == 1
    lines = ["Still audible (just-noticeable differences, most figures from memory)"]
    for name, differences in notes:
        audible = [difference for difference in differences if difference.is_audible]
        lines += [] if is_single else [f"  {shorten(name, WIDTH - 2)}"]
        lines += _audible_lines(audible, "  " if is_single else "    ", is_single=is_single)
    lines.append("Not audible")
    for name, differences in notes:
        quiet = [difference.summary for difference in differences if not difference.is_audible]
        lines += [] if is_single else [f"  {shorten(name, WIDTH - 2)}"]
        lines += _filled(quiet or ["nothing"], ";", "  " if is_single else "    ")
    return "\n".join(lines)


def _audible_lines(
    audible: Sequence[AudibleDifference], indent: str, *, is_single: bool
) -> list[str]:
    """Tell the differences of one note line by line."""
    if not audible:
        return [f"{indent}nothing of what was compared"]
    shown = audible if is_single else audible[:MOST_LINES]
    lines = [line for each in shown for line in _filled(each.description.split(", "), ",", indent)]
    if len(shown) < len(audible):
        lines.append(f"{indent}and {len(audible) - len(shown)} more, see run.json")
    return lines


def _filled(pieces: Sequence[str], separator: str, indent: str) -> list[str]:
    """Join pieces into lines that break between two of them only; later lines stand further in."""
    lines = [f"{indent}{pieces[0]}"]
    for piece in pieces[1:]:
        longer = f"{lines[-1]}{separator} {piece}"
        # A separator may still follow.
        if len(longer) < WIDTH:
            lines[-1] = longer
        else:
            lines[-1] += separator
            lines.append(f"{indent}  {piece}")
    return lines
