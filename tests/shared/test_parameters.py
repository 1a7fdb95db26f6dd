"""Tests for `shared.parameters`: one parameter and the way to the unit range."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from shared.catalogue import CATALOGUE
from shared.errors import ParameterError
from shared.parameters import Parameter
from tests.strategies import parameters

UNIT = st.floats(0.0, 1.0)
# Each example is a parameter of its own; the strategies draw all kinds within a few dozen.
few = settings(max_examples=50)


def make(**fields: Any) -> Parameter:  # noqa: ANN401 - any field of a parameter
    """Make a plain parameter, with some fields changed."""
    plain: dict[str, Any] = {
        "name": "osc1.level",
        "unit": "level",
        "low": 0.0,
        "high": 1.0,
        "scale": "linear",
        "neutral": 0.0,
        "group": "level",
        "meaning": "made for a test",
    }
    return Parameter(**{**plain, **fields})


@few
@given(parameter=parameters(), unit=UNIT)
def test_decoded_values_lie_in_the_range(parameter: Parameter, unit: float) -> None:
    """Wherever a search goes in [0, 1], the value is one that the parameter accepts as it is."""
    value = parameter.decode(unit)
    assert parameter.low <= value <= parameter.high
    assert parameter.validate(value) == value


@few
@given(parameter=parameters(), unit=UNIT)
def test_decode_undoes_encode(parameter: Parameter, unit: float) -> None:
    """A value that goes to the unit range comes back: exactly if stepped, else to 1e-12."""
    value = parameter.decode(unit)
    again = parameter.decode(parameter.encode(value))
    if parameter.step or parameter.choices:
        assert again == value
    else:
        # Relative to the larger end: a small difference of large numbers has no more digits.
        scale = max(abs(parameter.low), abs(parameter.high))
        assert again == pytest.approx(value, rel=0.0, abs=1e-12 * scale)


@few
@given(parameter=parameters(), unit=UNIT)
def test_a_place_settles_at_once(parameter: Parameter, unit: float) -> None:
    """Encoding a decoded place gives a place that stays where it is."""
    once = parameter.encode(parameter.decode(unit))
    twice = parameter.encode(parameter.decode(once))
    # Near a neutral that isn't 0, a quadratic scale takes the root of a rounding error (1e-16).
    assert twice == pytest.approx(once, rel=0.0, abs=1e-7)


@few
@given(parameter=parameters())
def test_neutral_is_exact_after_the_unit_range(parameter: Parameter) -> None:
    """A part at neutral does nothing at all, not nearly nothing, after a search held it there."""
    assert parameter.decode(parameter.encode(parameter.neutral)) == parameter.neutral


@few
@given(parameter=parameters())
def test_the_ends_of_the_range_are_exact(parameter: Parameter) -> None:
    """Places 0 and 1 are the ends of the range, to the last step that lies in it."""
    assume(parameter.step is None)
    assert (parameter.decode(0.0), parameter.decode(1.0)) == (parameter.low, parameter.high)


@few
@given(parameter=parameters(), first=UNIT, second=UNIT)
def test_decoding_never_turns_back(parameter: Parameter, first: float, second: float) -> None:
    """Further to the right in the unit range is never a lower value."""
    assume(abs(first - second) > 1e-9)
    low, high = sorted((first, second))
    assert parameter.decode(low) <= parameter.decode(high)


OCTAVE: dict[str, Any] = {"unit": "octave", "low": -2.0, "high": 2.0, "step": 1.0}
CUTOFF: dict[str, Any] = {"unit": "hz", "low": 20.0, "high": 20_000.0, "scale": "log"}
DETUNE: dict[str, Any] = {"unit": "cents", "low": -100.0, "high": 100.0, "scale": "quadratic"}
SLOPE: dict[str, Any] = {"low": 6.0, "high": 24.0, "choices": (6.0, 12.0, 24.0), "neutral": 24.0}
DECODED: dict[str, tuple[dict[str, Any], dict[float, float]]] = {
    # Half way on a log scale is the geometric mean.
    "log": ({**CUTOFF, "neutral": 20_000.0}, {0.5: (20.0 * 20_000.0) ** 0.5}),
    # From a neutral at the low end half way covers a quarter; around one in the middle, both
    # sides mirror each other.
    "rise": ({**DETUNE, "low": 0.0}, {0.1: 1.0, 0.5: 25.0}),
    "swing": (DETUNE, {0.0: -100.0, 0.25: -25.0, 0.5: 0.0, 0.75: 25.0, 1.0: 100.0}),
    # Each choice owns a cell of the same width, whatever its value.
    "choices": (SLOPE, {0.0: 6.0, 0.33: 6.0, 0.34: 12.0, 0.66: 12.0, 0.67: 24.0, 1.0: 24.0}),
    # A stepped value is the number that the user types, not one with a rounding error.
    "steps": ({"step": 0.1}, {0.0: 0.0, 0.26: 0.3, 0.3: 0.3, 0.34: 0.3, 0.96: 1.0}),
    # (0.95 - 0.5) / 0.05 is below 9, and the last step is reached all the same.
    "ends": ({"low": 0.05, "high": 0.95, "neutral": 0.5, "step": 0.05}, {0.0: 0.05, 1.0: 0.95}),
    # A range that starts between two steps doesn't shift them.
    "from-neutral": ({**OCTAVE, "low": -1.5}, {0.0: -1.0, 0.43: 0.0, 1.0: 2.0}),
}


@pytest.mark.parametrize(("fields", "values"), DECODED.values(), ids=DECODED)
def test_scales_steps_and_choices_spread_as_they_say(
    fields: dict[str, Any], values: dict[float, float]
) -> None:
    """Places in [0, 1] become the values of the scale, to the last step."""
    parameter = make(**fields)
    decoded = {unit: parameter.decode(unit) for unit in values}
    if parameter.step or parameter.choices:
        assert decoded == values
    else:
        assert decoded == pytest.approx(values, rel=1e-12)


def test_choices_and_steps_are_encoded() -> None:
    """A choice is encoded as the middle of its cell, a value between two steps as the nearest."""
    slope, octave = make(**SLOPE), make(**OCTAVE)
    assert [slope.encode(v) for v in slope.choices] == pytest.approx([1 / 6, 1 / 2, 5 / 6])
    assert octave.encode(0.9) == octave.encode(1.0)


def test_rounding_is_forgiven() -> None:
    """What rounding pushed over the end or beside a step counts as the end or the step."""
    assert make().validate(1.0 + 1e-12) == make().encode(1.0 + 1e-12) == 1.0
    assert make(step=0.1).validate(0.30000000000000004) == 0.3
    # What decoding gives can be encoded: 2 * 1000.321 is above 2000.641 by a millionth step.
    depth = make(unit="cents", low=0.0, high=2000.641, step=1000.321)
    assert depth.decode(1.0) == depth.decode(depth.encode(2000.642)) == 2000.642
    assert depth.validate(2000.642) == 2000.642


@pytest.mark.parametrize(
    ("value", "message"),
    [
        (1.5, r" is 1\.5"),
        (-0.001, r" is -0\.001"),
        (float("nan"), " is nan"),
        (float("inf"), " is inf"),
        (10**400, " is inf"),
        (-(10**400), " is -inf"),
        ("high", ': "high" is not a number'),
        (None, ": None is not a number"),
        (True, ": True is not a number"),
    ],
)
def test_a_value_that_is_not_accepted_is_refused(value: Any, message: str) -> None:  # noqa: ANN401
    """What was given and what is accepted, in the words of the user."""
    for check in (make().validate, make().encode):
        with pytest.raises(
            ParameterError, match=rf"osc1\.level{message}; it must be 0 to 1"
        ) as caught:
            check(value)
        assert caught.value.name == "osc1.level"


@pytest.mark.parametrize(
    ("fields", "value", "message"),
    [
        (OCTAVE, 0.5, "is 0.5 octaves; it must be -2 to 2 octaves in steps of 1"),
        (
            {**SLOPE, "unit": "db_per_octave"},
            18.0,
            "is 18 dB/octave; it must be 6 or 12 or 24 dB/octave",
        ),
        ({**CUTOFF, "neutral": 20.0}, 20_000.01, "is 20000.01 Hz; it must be 20 to 20000 Hz"),
    ],
    ids=["step", "choice", "range"],
)
def test_units_stand_in_the_message(fields: dict[str, Any], value: float, message: str) -> None:
    """Steps, choices and ranges are named with their units."""
    with pytest.raises(ParameterError, match=message):
        make(**fields).validate(value)


@pytest.mark.parametrize("unit", [-0.01, 1.01, float("nan")])
def test_a_place_outside_the_unit_range_is_refused(unit: float) -> None:
    """A search that leaves [0, 1] hears of it before anything sounds."""
    with pytest.raises(ParameterError, match="of its range; it must be 0 to 1"):
        make().decode(unit)


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"unit": "bananas"}, r'unit is "bananas"; it must be one of hz, s, cents'),
        ({"scale": "cubic"}, r'scale is "cubic"; it must be one of linear, log'),
        ({"low": 1.0}, "low must be below high"),
        ({"high": float("inf")}, "it must be finite"),
        ({"neutral": 1.5}, "neutral is 1.5; it must lie within"),
        ({"scale": "log"}, "a log scale needs a range above 0"),
        ({"scale": "quadratic", "neutral": 0.3}, "a quadratic scale needs it at the low end or"),
        ({"step": 0.0}, "step is 0.0; it must be finite and above 0"),
        ({"step": -0.5}, "step is -0.5; it must be finite and above 0"),
        ({"step": 0.5, "choices": (0.0, 1.0)}, "step is 0.5 beside choices"),
        ({"choices": (1.0, 0.0)}, "they must rise from low to high"),
        ({"choices": (0.0, 0.5)}, "they must rise from low to high"),
        ({"choices": (0.0, 1.0), "neutral": 0.5}, "neutral is 0.5; it must be one of"),
        ({"full_range": (0.2, 1.0), "neutral": 0.5}, "the range is 0.0 to 1.0; it must lie"),
        (
            {"low": 0.4, "high": 0.6, "step": 1.0, "full_range": (0.0, 1.0)},
            "no step of 1.0 lies in the range",
        ),
    ],
)
def test_fields_that_contradict_each_other_are_refused(
    fields: dict[str, Any], message: str
) -> None:
    """A parameter that can't work is refused when it is made, under its name."""
    with pytest.raises(ParameterError, match=rf"osc1\.level: .*{message}"):
        make(**fields)


def test_a_parameter_cannot_be_changed() -> None:
    """Everybody who holds a parameter holds the same one."""
    with pytest.raises(dataclasses.FrozenInstanceError):
        make().low = 0.5  # type: ignore[misc]


PRINTED: dict[str, dict[float, str]] = {
    "amp_env.attack_s": {
        0.24: "240 ms",
        0.0025: "2.5 ms",
        0.0005: "0.50 ms",
        0.00996: "10 ms",
        0.000997: "1.0 ms",
        0.0124: "12 ms",
        0.9994: "999 ms",
        0.9997: "1.00 s",
        1.254: "1.25 s",
    },
    "osc1.vibrato.delay_s": {0.0: "0 ms"},
    "osc1.vibrato.rate_hz": {5.2: "5.20 Hz"},
    "osc1.pwm.rate_hz": {0.8: "0.80 Hz", 9.996: "10.0 Hz"},
    "filter.cutoff_hz": {
        20.0: "20.0 Hz",
        99.96: "100 Hz",
        900.0: "900 Hz",
        999.7: "1.00 kHz",
        2540.0: "2.54 kHz",
        12_400.0: "12.4 kHz",
    },
    "osc2.detune_cents": {7.2: "+7.2 cents", -12.0: "-12.0 cents", -0.01: "0.0 cents"},
    "osc1.vibrato.depth_cents": {12.34: "12.3 cents"},
    "osc1.saw_level": {0.355: "0.35", 0.0: "0.00"},
    "noise.level": {
        0.0997: "0.10",
        0.052: "0.052",
        0.00996: "0.010",
        0.0021: "0.0021",
        0.00002: "0.00",
    },
    "osc1.pulse_width_ratio": {0.5: "0.50"},
    "osc1.vibrato.rate_key_track_ratio": {-0.25: "-0.25"},
    "filter_env.depth_octaves": {2.5: "+2.50 octaves", -2.5: "-2.50 octaves", 0.0: "0.00 octaves"},
    "filter_env.velocity_octaves": {1.0: "+1.00 octaves"},
    "osc1.octave": {1.0: "+1 octave", -1.0: "-1 octave", -2.0: "-2 octaves", 0.0: "0 octaves"},
    "filter.drive_db": {6.25: "6.2 dB"},
    "filter.slope_db_per_octave": {24.0: "24 dB/octave"},
}


@pytest.mark.parametrize(("name", "texts"), PRINTED.items(), ids=PRINTED)
def test_values_are_printed_in_panel_units(name: str, texts: dict[float, str]) -> None:
    """Each kind of value is printed as a panel or a patch sheet shows it."""
    assert {value: CATALOGUE[name].format(value) for value in texts} == texts


def test_every_parameter_can_be_printed() -> None:
    """The ends of each range print as two different texts, short enough for a column."""
    for parameter in CATALOGUE:
        low, high = parameter.format(parameter.low), parameter.format(parameter.high)
        assert low != high
        assert max(len(low), len(high)) <= len("-2400.0 cents")


@pytest.mark.parametrize(
    ("name", "label", "accepted"),
    [
        ("filter.cutoff_hz", "Hz", "20 to 20000 Hz"),
        ("amp_env.attack_s", "s", "0.0005 to 4 s"),
        ("osc1.saw_level", "", "0 to 1"),
        ("osc1.octave", "octaves", "-2 to 2 octaves in steps of 1"),
        ("filter.slope_db_per_octave", "dB/octave", "12 or 24 dB/octave"),
        ("filter.drive_db", "dB", "0 to 36 dB"),
        ("osc2.detune_cents", "cents", "-100 to 100 cents"),
    ],
)
def test_ranges_are_printed_with_their_unit(name: str, label: str, accepted: str) -> None:
    """Messages say what is accepted in the unit of the parameter."""
    assert (CATALOGUE[name].label, CATALOGUE[name].accepted) == (label, accepted)


def test_a_narrowed_range_is_printed_short() -> None:
    """Ends with many digits are rounded where they are only shown."""
    narrow = CATALOGUE.narrow(CATALOGUE.neutral(), 0.1)
    assert narrow["osc2.detune_cents"].accepted == "-4 to 4 cents"
