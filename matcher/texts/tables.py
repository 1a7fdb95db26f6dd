"""Losses, differences and patches as plain text for 80 columns."""

from __future__ import annotations

import itertools
import textwrap
from typing import TYPE_CHECKING

from matcher.losses import PARTS, TERM_MEANINGS, TERM_WORDS, TERMS
from matcher.sheet import SheetRow, patch_sheet, resting_controls
from matcher.texts.words import WIDTH, one_line, shorten

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.hearing import AudibleDifference
    from matcher.losses import LossBreakdown
    from shared import Patch
    from voice import Structure

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
    """Compare the distance at the start and at the end, term by term and in plain units."""
    lines = ["Distance (0 is identical, lower is closer)"]
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
        rows.append((TERM_WORDS[term], *scaled, TERM_MEANINGS[term]))
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
        return [f"{indent}none of the named differences exceeds its published threshold"]
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


def format_patch(patch: Patch, structure: Structure | None = None) -> str:
    """Show a patch as a table, part by part.

    Parts and values that do nothing are left out: a silent oscillator with all that belongs to
    it, an LFO without depth. A structure with a panel gets a column of panel values, what one
    step of each control does, and the controls that have to stand at rest.
    """
    rows = patch_sheet(patch, structure)
    has_panel = structure is not None and bool(structure.controls)
    lines = [f"Patch ({one_line(patch.structure)})"]
    for part, members in itertools.groupby(rows, key=lambda row: row.part):
        lines.append(f"  {part}")
        for row in members:
            source = _row_source(row, patch)
            lines += _panel_lines(row, source) if has_panel else [_patch_row(row, source)]
    if any(row.linked_to for row in rows):
        lines.append("  (= : linked, one control sets both)")
    resting = () if structure is None else resting_controls(patch, structure)
    if resting:
        listed = ", ".join(f"{row.label} {row.panel or row.value}" for row in resting)
        lines += textwrap.wrap(
            one_line(f"Everything else off: {listed}"),
            WIDTH,
            initial_indent="  ",
            subsequent_indent="    ",
            break_on_hyphens=False,
        )
    return "\n".join(lines)


def _row_source(row: SheetRow, patch: Patch) -> str:
    """Name the parameter, or the one whose control sets it, to the same value or to its own."""
    if row.linked_to is None:
        return row.name
    is_equal = patch.values[row.name] == patch.values[row.linked_to]
    return f"{'=' if is_equal else 'set by'} {row.linked_to}"


def _patch_row(row: SheetRow, source: str) -> str:
    """Lay out a row of the patch."""
    return f"    {row.label:20}{row.value:>16}   {source}"


def _panel_lines(row: SheetRow, source: str) -> list[str]:
    """Lay out a control of the panel, and what its steps do."""
    panel = "=" if source.startswith("=") else row.panel or "-"
    head = one_line(f"    {row.label:22}{panel:>10}{row.value:>14}")
    lines = [f"{head}   {source}"]
    if len(lines[0]) > WIDTH:
        lines = [head, f"        {source}"]
    if row.step:
        lines += textwrap.wrap(
            row.step,
            WIDTH,
            initial_indent=" " * 8,
            subsequent_indent=" " * 8,
            break_on_hyphens=False,
        )
    return lines
