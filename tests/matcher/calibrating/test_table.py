"""From measurements to a table: averaged, in order, with its warnings."""

from __future__ import annotations

import pytest

from matcher.calibrating.fitting import Measured
from matcher.calibrating.table import Calibration, make_table


def table(*values: float, error: float = 0.01, parameter: str = "filter.cutoff_hz") -> Calibration:
    """Make the table of values at positions 0, 1, 2, ..., with errors of 1 % unless said."""
    found = [
        (float(i), f"{i}.wav", Measured(value, error * value)) for i, value in enumerate(values)
    ]
    return make_table(parameter, found)


def test_values_that_rise_are_all_kept() -> None:
    """A sound table has no remarks."""
    calibration = table(100, 200, 400, 800)
    assert [point.value for point in calibration.table] == [100, 200, 400, 800]
    assert not calibration.remarks
    assert not any(point.remarks for point in calibration.points)


def test_values_may_fall() -> None:
    """A panel that counts backwards is a panel."""
    assert [point.value for point in table(800, 400, 200, 100).table] == [800, 400, 200, 100]


def test_positions_are_put_in_order() -> None:
    """Recordings may be given in any order."""
    found = [(panel, "x", Measured(100.0 + panel, 0.1)) for panel in (3.0, 1.0, 2.0, 0.0)]
    assert [point.panel for point in make_table("filter.cutoff_hz", found).points] == [0, 1, 2, 3]


def test_several_recordings_of_a_position_are_averaged() -> None:
    """The mean, with the scatter between them as its error (arithmetic: 2 / sqrt 2)."""
    found = [(0.0, "a", Measured(98.0, 0.1)), (0.0, "b", Measured(102.0, 0.1))]
    found += [(1.0, "c", Measured(200.0, 1.0))]
    point = make_table("filter.cutoff_hz", found).points[0]
    assert point.value == pytest.approx(100.0)
    assert point.error == pytest.approx(2.0, rel=0.01)
    assert point.recordings == ("a", "b")


def test_the_better_recording_counts_more() -> None:
    """Weights are one over the squared errors: 1 to 9 here (arithmetic)."""
    found = [(0.0, "a", Measured(100.0, 3.0)), (0.0, "b", Measured(110.0, 1.0))]
    point = make_table("filter.cutoff_hz", [*found, (1.0, "c", Measured(200.0, 1.0))]).points[0]
    assert point.value == pytest.approx(109.0)


def test_a_swapped_file_is_found() -> None:
    """One place against all its neighbours is left out and named."""
    calibration = table(100, 200, 1600, 800, 1000, 2000)
    assert [point.panel for point in calibration.table] == [0, 1, 3, 4, 5]
    assert any(
        "the place 2 is left out" in remark and "the right file" in remark
        for remark in calibration.remarks
    )


def test_of_two_that_can_not_be_told_apart_one_is_kept() -> None:
    """Within their errors they are the same."""
    calibration = table(100, 200, 199, 400, 800)
    assert len(calibration.table) == 4
    assert any("within their errors" in remark for remark in calibration.remarks)


def test_few_places_are_told() -> None:
    """Two points say nothing about the way between."""
    assert "the curve between them is a guess" in table(100, 200).remarks[0]


def test_wide_error_bars_are_told() -> None:
    """A third of the value is hardly a measurement; a tenth of the travel isn't either."""
    assert "error bar is wide" in table(100, 200, 400, 800, error=0.33).points[0].remarks[0]
    cents = [(float(i), "x", Measured(10.0 * i, 4.0)) for i in range(4)]
    calibration = make_table("osc2.detune_cents", cents)
    assert "error bar is wide" in calibration.points[0].remarks[0]


def test_values_beyond_the_voice_are_told() -> None:
    """The table keeps them; the voice can't follow."""
    calibration = table(10, 200, 400, 30_000)
    assert "20 to 20000 Hz only" in calibration.points[0].remarks[0]
    assert calibration.points[-1].is_used


def test_levels_are_ratios_to_the_loudest() -> None:
    """A mixer knob is counted from 0 to 1."""
    calibration = table(0.05, 0.1, 0.2, 0.4, parameter="osc1.saw_level")
    assert [point.value for point in calibration.table] == pytest.approx([0.125, 0.25, 0.5, 1.0])
    assert calibration.points[0].error == pytest.approx(0.01 * 0.125)
