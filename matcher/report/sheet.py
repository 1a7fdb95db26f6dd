"""The patch sheet as a report shows it: grouped by part, in build order, with slack."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matcher.runs.folder import load_patch_and_structure
from matcher.sheet import panel_text, patch_sheet, resting_controls
from shared import CATALOGUE, EarwrightError

if TYPE_CHECKING:
    from matcher.explaining import Explanation, Slack
    from matcher.runs.folder import RunFolder
    from matcher.sheet import SheetRow
    from shared import Note, Patch
    from voice import Structure

# Lines that a page holds in two columns, and in three of smaller print; and signs that a remark
# has in a line, as they are printed.
MOST_LINES, MOST_DENSE_LINES = 105, 190
REMARK_SIGNS = 50


@dataclass(frozen=True)
class SheetLine:
    """One control: what it is called, how it is set, and how exactly."""

    label: str
    setting: str
    value: str | None
    slack: str | None
    step: str | None
    link: str | None
    controller: str | None

    @property
    def remarks(self) -> str:
        """What is said below it, in a line."""
        remarks = [
            self.controller or "",
            f"set by {self.link}" if self.link else "",
            self.slack or "",
            self.step or "",
        ]
        return "; ".join(remark for remark in remarks if remark)


@dataclass(frozen=True)
class SheetPart:
    """The controls of one part of the voice."""

    title: str
    lines: tuple[SheetLine, ...]


@dataclass(frozen=True)
class Sheet:
    """A patch sheet."""

    parts: tuple[SheetPart, ...]
    is_in_build_order: bool
    has_panel: bool
    has_slack: bool
    resting: tuple[str, ...]

    @property
    def density(self) -> str:
        """How it is printed to fit on a page: "normal", or "dense" or "tight" in three columns."""
        remarks = [line.remarks for part in self.parts for line in part.lines]
        n_lines = 2 * len(self.parts) + len(remarks)
        n_lines += sum(math.ceil(len(text) / REMARK_SIGNS) for text in (*remarks, *self.resting))
        if n_lines <= MOST_LINES:
            return "normal"
        return "dense" if n_lines <= MOST_DENSE_LINES else "tight"


def make_sheet(
    patch: Patch,
    structure: Structure | None,
    explanation: Explanation | None,
    *,
    note: Note | None = None,
) -> Sheet:
    """Lay out the patch sheet."""
    rows = patch_sheet(patch, structure, note=note)
    slacks = _slacks(explanation)
    titles = list(dict.fromkeys(row.part for row in rows))
    order = _build_order(explanation)
    # Parts that no step names come after those that are named, in the order of the panel.
    titles.sort(key=lambda title: order.get(title, len(order)))
    parts = tuple(
        SheetPart(
            title,
            tuple(
                _line(row, slacks.get(row.name), structure) for row in rows if row.part == title
            ),
        )
        for title in titles
    )
    resting = () if structure is None else resting_controls(patch, structure)
    return Sheet(
        parts=parts,
        is_in_build_order=bool(order),
        has_panel=any(row.panel is not None for row in rows),
        has_slack=bool(slacks),
        resting=tuple(f"{row.part}: {row.label} {row.panel or row.value}" for row in resting),
    )


def structure_of(run: RunFolder) -> Structure | None:
    """Load the structure that a run was matched with; None if it is gone."""
    try:
        return load_patch_and_structure(run.path)[1]
    except EarwrightError:
        return None


def _slacks(explanation: Explanation | None) -> dict[str, Slack]:
    """Return the slack of each parameter, where it was measured."""
    if explanation is None or explanation.slack is None:
        return {}
    return {slack.name: slack for slack in explanation.slack.slacks}


def _build_order(explanation: Explanation | None) -> dict[str, int]:
    """Return the place of each part in the build order."""
    if explanation is None or explanation.build is None:
        return {}
    titles = dict.fromkeys(step.part for step in explanation.build.steps)
    return {title: place for place, title in enumerate(titles)}


def _line(row: SheetRow, slack: Slack | None, structure: Structure | None) -> SheetLine:
    """Lay out one control."""
    return SheetLine(
        label=row.label,
        setting=row.panel or row.value,
        value=row.value if row.panel else None,
        slack=None if slack is None else slack_text(slack, structure),
        step=row.step,
        link=row.linked_to,
        controller=row.controller,
    )


def slack_text(slack: Slack, structure: Structure | None) -> str:
    """Say how exactly a control has to be set: ``"820 Hz to 990 Hz sounds the same"``.

    That is if it is turned alone, as a hand does that follows a sheet, and as one step of it is
    described; how far it may move if the others follow is part of what mattered.
    """
    ends = slack.alone_low, slack.alone_high
    low, high = (_setting(slack.name, value, structure) for value in ends)
    space = () if structure is None else structure.space
    parameter = next((p for p in space if p.name == slack.name), CATALOGUE[slack.name])
    is_low_open, is_high_open = ends[0] <= parameter.low, ends[1] >= parameter.high
    if is_low_open and is_high_open:
        return "anywhere sounds the same"
    if is_low_open:
        return f"up to {high} sounds the same"
    if is_high_open:
        return f"from {low} up sounds the same"
    if low == high:
        return "has to be set exactly so"
    number, _, unit = low.partition(" ")
    # A unit is said once, by the value itself: "820 to 990 sounds the same".
    own = _setting(slack.name, slack.value, structure)
    if unit and {own.partition(" ")[2], high.partition(" ")[2]} == {unit}:
        low, high = number, high.partition(" ")[0]
    return f"{low} to {high} sounds the same"


def _setting(name: str, value: float, structure: Structure | None) -> str:
    """Write a value as it is set: on the panel, or in its unit."""
    return panel_text(name, value, structure) or CATALOGUE[name].format(value)
