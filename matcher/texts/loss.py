"""Losses as a table, term by term and in plain units."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from matcher.losses import PARTS, TERM_MEANINGS, TERMS
from matcher.texts.lines import WIDTH, shorten

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.losses import LossBreakdown

__all__: list[str] = []

_UNIT_SUFFIXES = {
    "db": ("dB", 1.0, 2),
    "octaves": ("octaves", 1.0, 2),
    "cents": ("cents", 1.0, 1),
    "s": ("ms", 1000.0, 1),
    "hz": ("Hz", 1.0, 2),
    "ratio": ("", 1.0, 2),
}


def format_loss(
    start: LossBreakdown,
    end: LossBreakdown,
    *,
    notes: Sequence[tuple[str, LossBreakdown]] = (),
) -> str:
    """Compare the loss at the start and at the end, term by term and in plain units."""
    lines = ["Loss in audible steps (1 is about one just-noticeable difference)"]
    lines += loss_table(("start", start), ("end", end))
    if len(notes) > 1:
        lines.append("  Note by note at the end")
        lines += [f"    {shorten(name, 40):40}{loss.total:>8.2f}" for name, loss in notes]
    return "\n".join(lines)


def loss_table(*columns: tuple[str, LossBreakdown]) -> list[str]:
    """Lay out two losses, each under its title, term by term."""
    titles, losses = zip(*columns, strict=True)
    rows = [("", *titles, "")]
    totals = (f"{loss.total:.2f}" for loss in losses)
    rows.append(("total", *totals, "weighted mean of the terms"))
    for term in TERMS:
        scaled = (f"{loss.terms[term]:.2f}" for loss in losses)
        rows.append((term, *scaled, TERM_MEANINGS[term]))
        for part in (part for part in PARTS if part.term == term):
            label, unit = _part_label(part.name)
            measured = (_with_unit(loss.parts[part.name], *unit) for loss in losses)
            rows.append((f"  {label}", *measured, part.meaning))
    return _columns(rows)


def _columns(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Lay out name, figures and a meaning, which goes on below itself if it is long."""
    name_width, *widths = (max(len(row[i]) for row in rows) for i in range(len(rows[0]) - 1))
    lines = []
    for name, *figures, meaning in rows:
        head = f"  {name:{name_width}}  "
        for figure, width in zip(figures, widths, strict=True):
            head += f"{figure:>{width}}  "
        lines += textwrap.wrap(
            meaning, WIDTH, initial_indent=head, subsequent_indent=" " * len(head)
        ) or [head.rstrip()]
    return lines


def _part_label(name: str) -> tuple[str, tuple[str, float, int]]:
    """Split the name of a part into words and unit."""
    words, _, suffix = name.rpartition("_")
    if suffix in _UNIT_SUFFIXES:
        return words.replace("_", " "), _UNIT_SUFFIXES[suffix]
    return name.replace("_", " "), ("", 1.0, 2)


def _with_unit(value: float, label: str, factor: float, decimals: int) -> str:
    """Print a measured difference."""
    return f"{value * factor:.{decimals}f} {label}".rstrip()
