"""The patch sheet of a report: build order, slack, panels, parts at neutral left out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from matcher import load_run
from matcher.report._sheet import Sheet, SheetLine, make_sheet, structure_of
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


def test_slack_is_told_in_the_unit_of_the_value(explanation: Explanation) -> None:
    """Beside the cutoff stands between which cutoffs nothing is heard."""
    line = _lines(make_sheet(fullest_patch(), None, explanation))["low-pass filter: cutoff"]
    assert line.slack is not None
    low, _, rest = line.slack.partition(" to ")
    assert rest.endswith(" sounds the same")
    assert low.endswith("Hz")
    assert rest.removesuffix(" sounds the same").endswith("Hz")


def test_a_structure_whose_file_is_gone_does_no_harm(tmp_path: Path) -> None:
    """The sheet comes without links and panel."""
    run = small_run(tmp_path, "reed")
    set_patch(run, Patch("gone-synth", {"osc1.saw_level": 1.0}))
    structure = structure_of(load_run(run.path))
    assert structure is None or structure.name != "gone-synth"
    assert make_sheet(load_run(run.path).patch, None, None).parts
