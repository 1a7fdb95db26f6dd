"""The patch sheet of a report: build order, slack, panels, parts at neutral left out."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from matcher import load_run
from matcher.report.sheet import Sheet, SheetLine, make_sheet, structure_of
from shared import CATALOGUE, Patch
from tests.matcher.report.report_runs import explain_run, fullest_patch, set_patch, small_run

if TYPE_CHECKING:
    from pathlib import Path

    from matcher.explaining import Explanation


@pytest.fixture(scope="module")
def explanation(tmp_path_factory: pytest.TempPathFactory) -> Explanation:
    """Return an explanation of the fullest patch."""
    run = small_run(tmp_path_factory.mktemp("sheet"), "reed")
    set_patch(run, fullest_patch())
    return explain_run(run)


def _lines(sheet: Sheet) -> dict[str, SheetLine]:
    """Return the lines by part and label."""
    return {f"{part.title}: {line.label}": line for part in sheet.parts for line in part.lines}


def test_parts_at_neutral_are_left_out() -> None:
    """A patch of one sawtooth shows the oscillator and the amplifier envelope alone."""
    sheet = make_sheet(Patch("one-oscillator", {"osc1.saw_level": 1.0}), None, None)
    assert [part.title for part in sheet.parts] == ["oscillator 1", "amplifier envelope"]


def test_every_control_of_a_full_patch_is_listed() -> None:
    """A patch that uses every part shows every parameter once."""
    sheet = make_sheet(fullest_patch(), None, None)
    assert sum(len(part.lines) for part in sheet.parts) == len(CATALOGUE)


def test_the_build_order_comes_first(explanation: Explanation) -> None:
    """Parts of the build order stand first, in its order; the rest as on the panel."""
    plain = make_sheet(fullest_patch(), None, None)
    sheet = make_sheet(fullest_patch(), None, explanation)
    titles = [part.title for part in sheet.parts]
    assert titles[:2] == ["amplifier envelope", "oscillator 1"]
    rest = [part.title for part in plain.parts if part.title not in titles[:2]]
    assert titles[2:] == rest
    assert sheet.is_in_build_order
    assert not plain.is_in_build_order


def test_slack_on_the_sheet_is_that_of_the_control_turned_alone(explanation: Explanation) -> None:
    """One step of it is told in the same way, so both have to agree; open ends are the range's."""
    found = explanation.slack
    assert found is not None
    (cutoff,) = (slack for slack in found.slacks if slack.name == "filter.cutoff_hz")

    def told(**changes: float) -> str | None:
        other = replace(found, slacks=(replace(cutoff, **changes),))
        sheet = make_sheet(fullest_patch(), None, replace(explanation, slack=other))
        return _lines(sheet)["low-pass filter: cutoff"].slack

    assert told(low=100.0, high=9000.0, alone_low=880.0, alone_high=930.0) == (
        "880 Hz to 930 Hz sounds the same"
    )
    assert told(alone_low=20.0, alone_high=930.0) == "up to 930 Hz sounds the same"
    assert told(alone_low=880.0, alone_high=20_000.0) == "from 880 Hz up sounds the same"
    assert told(alone_low=20.0, alone_high=20_000.0) == "anywhere sounds the same"


def test_a_structure_whose_file_is_gone_does_no_harm(tmp_path: Path) -> None:
    """The sheet comes without links and panel."""
    run = small_run(tmp_path, "reed")
    set_patch(run, Patch("gone-synth", {"osc1.saw_level": 1.0}))
    structure = structure_of(load_run(run.path))
    assert structure is None or structure.name != "gone-synth"
    assert make_sheet(load_run(run.path).patch, None, None).parts
