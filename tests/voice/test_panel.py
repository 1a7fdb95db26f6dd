"""Panel scales: what stands on the panel and what it is in physical values, both ways."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from shared import ParameterError
from voice import PanelScale
from voice.panel import TIME_CONVENTIONS, time_factor

CUTOFF = PanelScale(((0.0, 40.0), (10.0, 10_240.0)), is_log=True)
DETUNE = PanelScale(((-5.0, -50.0), (5.0, 50.0)))
MEASURED = PanelScale(((0.0, 0.002), (2.0, 0.01), (5.0, 0.2), (10.0, 3.0)), is_log=True)
RANGE = PanelScale(
    ((0.0, -1.0), (1.0, 0.0), (2.0, 1.0)), is_switch=True, positions=("16'", "8'", "4'")
)
SPEED = PanelScale(((0.0, 4.0), (10.0, 0.001)), is_log=True)
places = st.floats(0.0, 10.0)


@pytest.mark.parametrize(
    ("place", "hz"), [(0, 40), (1.25, 80), (2.5, 160), (5, 640), (10, 10_240)]
)
def test_a_log_knob_has_equal_ratios(place: float, hz: float) -> None:
    """Eight octaves on ten marks are an octave on each 1.25 (arithmetic)."""
    assert CUTOFF.value(place) == pytest.approx(hz, rel=1e-12)
    assert CUTOFF.panel(hz) == pytest.approx(place, abs=1e-9)


@pytest.mark.parametrize(("place", "cents"), [(-5, -50), (-1, -10), (0, 0), (2.5, 25), (5, 50)])
def test_a_linear_knob_has_equal_steps(place: float, cents: float) -> None:
    """Ten cents to the mark (arithmetic)."""
    assert DETUNE.value(place) == pytest.approx(cents, abs=1e-12)
    assert DETUNE.panel(cents) == pytest.approx(place, abs=1e-9)


def test_measured_points_are_met_exactly() -> None:
    """The table is what was measured, and the way between adds nothing to it."""
    for place, value in MEASURED.points:
        assert MEASURED.value(place) == value
        assert MEASURED.panel(value) == pytest.approx(place, abs=1e-9)


@given(first=places, second=places)
def test_measured_points_are_joined_monotonously(first: float, second: float) -> None:
    """Fritsch and Carlson, 1980: where the points rise, so does the curve."""
    low, high = sorted((first, second))
    # 1e-12: rounding of exp and log.
    assert MEASURED.value(low) <= MEASURED.value(high) * (1 + 1e-12)


@pytest.mark.parametrize("scale", [CUTOFF, DETUNE, MEASURED, SPEED], ids=list("cdms"))
@given(share=st.floats(0.0, 1.0))
def test_the_way_back_is_the_same(scale: PanelScale, share: float) -> None:
    """A place on the panel survives the way through its physical value."""
    place = scale.low + share * (scale.high - scale.low)
    # 1e-6 of a mark: nothing that a hand could set.
    assert scale.panel(scale.value(place)) == pytest.approx(place, abs=1e-6)


@pytest.mark.parametrize(("value", "place"), [(5, 0), (1e9, 10), (40, 0), (10_241, 10)])
def test_values_beyond_the_panel_stop_at_its_end(value: float, place: float) -> None:
    """A knob can't be turned further."""
    assert CUTOFF.panel(value) == pytest.approx(place, abs=1e-9)


def test_a_knob_may_run_backwards() -> None:
    """On some panels a higher mark is a shorter time."""
    assert SPEED.value(10.0) == 0.001
    assert SPEED.panel(0.001) == pytest.approx(10.0, abs=1e-9)
    assert SPEED.value(2.0) > SPEED.value(8.0)


def test_stops_are_the_steps_of_the_panel() -> None:
    """Half marks from 0 to 10 are 21 places, printed with one decimal."""
    half = PanelScale(CUTOFF.points, is_log=True, step=0.5)
    assert [place for place, _ in half.stops] == [0.5 * i for i in range(21)]
    assert half.panel(700.0) == 5.0
    assert half.text(half.panel(700.0)) == "5.0"
    assert half.move(10.0, 1) is None
    assert half.move(9.5, 1) == 10.0
    assert half.move(0.0, -1) is None


def test_128_steps_are_printed_whole() -> None:
    """A control from 0 to 127 shows whole numbers."""
    scale = PanelScale(((0.0, 0.0), (127.0, 1.0)), step=1.0)
    assert len(scale.stops) == 128
    assert scale.text(scale.panel(0.5)) in {"63", "64"}


def test_a_switch_has_names() -> None:
    """What is printed is what stands beside the switch."""
    assert [RANGE.text(RANGE.panel(value)) for value in (-1.0, 0.0, 1.0)] == ["16'", "8'", "4'"]
    assert RANGE.move(1.0, 1) == 2.0
    assert RANGE.move(2.0, 1) is None


@pytest.mark.parametrize(
    ("points", "options", "message"),
    [
        (((0, 1),), {}, "one point is too few"),
        (((0, 1), (0, 2)), {}, "panel values must rise"),
        (((0, 1), (1, 3), (2, 2)), {}, "rise all the way, or fall all the way"),
        (((0, 0), (1, 3)), {"is_log": True}, "a log scale needs values above 0"),
        (((0, 1), (1, 3)), {"step": 0.0}, "step is 0; it must be above 0 and up to 1"),
        (((0, 1), (1, 3)), {"step": 2.0}, "step is 2; it must be above 0 and up to 1"),
    ],
)
def test_points_that_make_no_scale_are_refused(
    points: tuple[tuple[float, float], ...], options: dict[str, object], message: str
) -> None:
    """Each refusal says what is accepted."""
    with pytest.raises(ParameterError, match=message):
        PanelScale(points, **options)


@pytest.mark.parametrize(
    ("convention", "level"),
    [("time-constant", math.exp(-1.0)), ("to-10-percent", 0.1), ("to-60-db", 10 ** (-60 / 20))],
)
def test_a_fall_reaches_the_level_of_its_convention(convention: str, level: float) -> None:
    """After the maker's time, exp(-t/tau) is at the level that names it: 36.8 %, 10 %, -60 dB."""
    makers_time_s = 0.8
    tau_s = makers_time_s * time_factor("amp_env.release_s", convention)
    assert math.exp(-makers_time_s / tau_s) == pytest.approx(level, rel=1e-12)


def test_a_straight_fall_keeps_its_area() -> None:
    """A ramp of 1 s has the area 1/2; so has the exponential fall that stands for it."""
    tau_s = time_factor("filter_env.decay_s", "linear-ramp")
    area, _ = quad(lambda t: math.exp(-t / tau_s), 0.0, np.inf)
    assert area == pytest.approx(0.5, rel=1e-9)


@pytest.mark.parametrize("convention", TIME_CONVENTIONS)
def test_an_attack_keeps_the_area_over_it(convention: str) -> None:
    """What an exponential rise to 1 lacks is its time constant; the voice's ramp lacks as much."""
    ramp_s = time_factor("amp_env.attack_s", convention)
    tau_s = time_factor("amp_env.decay_s", convention)
    lacking, _ = quad(lambda t: max(0.0, 1.0 - t / ramp_s), 0.0, ramp_s)
    assert lacking == pytest.approx(tau_s, rel=1e-9)


@pytest.mark.parametrize(
    ("name", "convention", "message"),
    [
        (
            "amp_env.decay_s",
            "to-20-db",
            "times is 'to-20-db'; it must be one of time-constant, to-10-percent",
        ),
        ("osc1.vibrato.delay_s", "to-60-db", "delay_s is no envelope time"),
    ],
)
def test_an_unknown_convention_is_refused(name: str, convention: str, message: str) -> None:
    """The names are listed, and only envelope times have one."""
    with pytest.raises(ParameterError, match=message):
        time_factor(name, convention)
