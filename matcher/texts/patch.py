"""A patch as a table, part by part, and as a sheet for the user's own panel."""

from __future__ import annotations

import itertools
import textwrap
from typing import TYPE_CHECKING

from matcher.sheet import SheetRow, patch_sheet, resting_controls
from matcher.texts.lines import WIDTH, one_line

if TYPE_CHECKING:
    from shared import Patch
    from voice import Structure

__all__: list[str] = []


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
            source = _source(row, patch)
            lines += _panel_lines(row, source) if has_panel else [_patch_row(row, source)]
    if any(row.linked_to for row in rows):
        lines.append("  (= : linked, one control sets both)")
    resting = () if structure is None else resting_controls(patch, structure)
    if resting:
        listed = ", ".join(f"{row.label} {row.panel or row.value}" for row in resting)
        lines += textwrap.wrap(
            one_line(f"At rest: {listed}"),
            WIDTH,
            initial_indent="  ",
            subsequent_indent="    ",
            break_on_hyphens=False,
        )
    return "\n".join(lines)


def _source(row: SheetRow, patch: Patch) -> str:
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
