"""Tests for `shared.parameters`: the ordered space of many parameters."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.catalogue import CATALOGUE
from shared.errors import ParameterError
from shared.parameter_space import ParameterSpace
from tests.strategies import parameters, spaces, units_for, values_for

if TYPE_CHECKING:
    from collections.abc import Callable

    from shared.parameters import Parameter

N = len(CATALOGUE)

# Each example is a space of several parameters.
few = settings(max_examples=25)


@few
@given(st.data())
def test_a_batch_equals_its_parameters_one_by_one(data: st.DataObject) -> None:
    """The space decodes and encodes each column exactly as its parameter does alone."""
    space = data.draw(spaces())
    unit = data.draw(units_for(space, n_rows=3))
    values = space.decode(unit)
    alone = [[p.decode(u) for p, u in zip(space, row, strict=True)] for row in unit]
    assert values.tolist() == alone
    encoded = [[p.encode(v) for p, v in zip(space, row, strict=True)] for row in values]
    assert space.encode(values).tolist() == encoded


@few
@given(st.data())
def test_one_row_and_a_mapping_are_the_same(data: st.DataObject) -> None:
    """Values by name, as one row, and as a batch of one give the same places."""
    space = data.draw(spaces())
    values = data.draw(values_for(space))
    row = np.array(list(values.values()))
    unit = space.encode(values)
    assert unit.shape == (len(space),)
    np.testing.assert_array_equal(space.encode(row), unit)
    np.testing.assert_array_equal(space.encode(row[np.newaxis]), unit[np.newaxis])
    assert space.to_dict(row) == values


@few
@given(st.data())
def test_the_catalogue_comes_back_from_the_unit_range(data: st.DataObject) -> None:
    """Decode undoes encode to 1e-12 of the range, over all parameters of the voice."""
    values = CATALOGUE.decode(data.draw(units_for(CATALOGUE)))
    again = CATALOGUE.decode(CATALOGUE.encode(values))
    widths = np.array([p.high - p.low for p in CATALOGUE])
    assert np.all(np.abs(again - values) <= 1e-12 * np.minimum(widths, 1.0 + np.abs(values)))


@few
@given(st.data())
def test_what_a_search_decodes_passes_the_check(data: st.DataObject) -> None:
    """Every point of the unit cube is a valid set of values, bit by bit."""
    values = data.draw(values_for(CATALOGUE))
    assert CATALOGUE.validate(values) == values


@few
@given(st.data())
def test_a_narrowed_space_stays_around_its_centre(data: st.DataObject) -> None:
    """Narrowing keeps the centre, stays in the old ranges, and goes no further than asked."""
    space = data.draw(spaces())
    values = data.draw(values_for(space))
    ratio = data.draw(st.floats(0.01, 1.0))
    narrow = space.narrow(values, ratio)
    assert narrow.names == space.names
    centre = space.encode(values)
    for parameter in narrow:
        assert parameter.validate(values[parameter.name]) == values[parameter.name]
    continuous = np.array([not p.choices and p.step is None for p in space])
    for corner in (np.zeros(len(space)), np.ones(len(space))):
        reached = space.encode(narrow.decode(corner))
        # A root of the rounding error, as near a neutral of a quadratic scale.
        assert np.all(np.abs(reached - centre)[continuous] <= ratio + 1e-7)


def test_narrowing_keeps_the_shape_of_a_quadratic_scale() -> None:
    """The narrowed range covers its part of the unit range as the whole range does."""
    space = CATALOGUE.only("osc2.detune_cents")
    narrow = space.narrow({"osc2.detune_cents": 25.0}, 0.125)
    places = np.linspace(0.0, 1.0, 5)[:, np.newaxis]
    # 25 cents lie at 0.75, so the narrowed range goes from 0.625 to 0.875.
    expected = space.decode(0.625 + 0.25 * places)
    np.testing.assert_allclose(narrow.decode(places), expected, rtol=1e-12)
    twice = narrow.narrow({"osc2.detune_cents": 25.0}, 0.25)
    np.testing.assert_allclose(
        twice.decode(places), space.decode(0.6875 + 0.125 * places), rtol=1e-12
    )


def test_narrowing_keeps_neutral_and_steps() -> None:
    """A narrowed range may leave neutral out, still knows it, and keeps the steps in place."""
    narrow = CATALOGUE.narrow({**CATALOGUE.neutral(), "osc1.octave": 1.0, "tune_cents": 50.0}, 0.1)
    assert narrow["tune_cents"].neutral == 0.0
    assert not narrow["tune_cents"].low <= 0.0 <= narrow["tune_cents"].high
    assert {narrow["osc1.octave"].decode(u) for u in (0.0, 0.5, 1.0)} == {1.0}
    assert narrow["filter.slope_db_per_octave"].choices == (24.0,)
    assert narrow["filter.slope_db_per_octave"].decode(0.0) == 24.0
    assert narrow.neutral() == CATALOGUE.neutral()


@pytest.mark.parametrize("ratio", [0.0, -0.1, 1.1, float("nan")])
def test_a_ratio_outside_its_range_is_refused(ratio: float) -> None:
    """Narrowing needs a share of the range."""
    with pytest.raises(ParameterError, match=r"ratio is .*; it must be above 0 and up to 1"):
        CATALOGUE.narrow(CATALOGUE.neutral(), ratio)


@pytest.mark.parametrize(
    ("globs", "names"),
    [
        (("filter.*",), [name for name in CATALOGUE.names if name.startswith("filter.")]),
        (("filter*",), [name for name in CATALOGUE.names if name.startswith("filter")]),
        (("*.vibrato.*",), [name for name in CATALOGUE.names if ".vibrato." in name]),
        (("tune_cents", "noise.level"), ["tune_cents", "noise.level"]),
        (("noise.level", "tune_cents"), ["tune_cents", "noise.level"]),
        (("level",), [p.name for p in CATALOGUE if p.group == "level"]),
        (("pitch", "tune_*"), [p.name for p in CATALOGUE if p.group == "pitch"]),
    ],
)
def test_patterns_and_groups_choose(globs: tuple[str, ...], names: list[str]) -> None:
    """`only` keeps and `hold` leaves out what patterns and groups name, in the old order."""
    assert list(CATALOGUE.only(*globs).names) == names
    assert list(CATALOGUE.hold(*globs).names) == [n for n in CATALOGUE.names if n not in names]


def test_nothing_or_everything_may_be_held() -> None:
    """Without a pattern nothing changes; an empty space has one candidate without values."""
    assert CATALOGUE.hold() == CATALOGUE
    empty = CATALOGUE.hold("*")
    assert len(empty) == 0
    assert empty.encode(CATALOGUE.neutral()).shape == (0,)
    assert empty.decode(np.zeros((3, 0))).shape == (3, 0)


@pytest.mark.parametrize(
    ("pattern", "message"),
    [
        (
            "filter.cutof_hz",
            r'"filter\.cutof_hz" names no parameter\. Did you mean filter\.cutoff',
        ),
        ("filtr*", r"Did you mean filter\*"),
        ("*.vibrat.*", r"Did you mean \*\.vibrato\.\*"),
        ("atack", r"Did you mean attack"),
        ("zzz", rf"The space has {N} parameters in the groups attack, brightness"),
    ],
)
@pytest.mark.parametrize("method", ["only", "hold"])
def test_a_pattern_without_a_match_is_refused(method: str, pattern: str, message: str) -> None:
    """A misspelt pattern must not silently hold or free nothing; near names are listed."""
    choose: Callable[..., ParameterSpace] = getattr(CATALOGUE, method)
    with pytest.raises(ParameterError, match=message):
        choose("pitch", pattern)


def test_a_space_is_looked_up_by_name_and_place() -> None:
    """Names and places lead to the same parameter."""
    assert CATALOGUE["tune_cents"] is CATALOGUE[0]
    assert CATALOGUE[-1].name == "eq3.bandwidth_octaves"
    assert "tune_cents" in CATALOGUE
    assert CATALOGUE[0] in CATALOGUE
    assert "tune" not in CATALOGUE
    assert [p.name for p in CATALOGUE] == list(CATALOGUE.names)
    assert CATALOGUE.index("osc1.saw_level") == 1


def test_an_unknown_name_is_refused() -> None:
    """A misspelt name gets the one that was meant."""
    with pytest.raises(ParameterError, match=r"Did you mean filter\.resonance_ratio\?") as caught:
        CATALOGUE["filter.resonance"]
    assert caught.value.name == "filter.resonance"


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"tune_cents": 0.0}, rf"osc1\.saw_level has no value; each of the {N}"),
        (
            {**CATALOGUE.neutral(), "noise.level": "loud"},
            r'noise\.level: "loud" is not a number; it must be 0 to 1',
        ),
        (np.zeros(5), rf"values have shape \(5,\); it must be \({N},\) or \(n_candidates, {N}\)"),
        (np.zeros((1, 1, N)), rf"values have shape \(1, 1, {N}\)"),
        (np.zeros(N), r"osc1\.pulse_width_ratio is 0; it must be 0\.05 to 0\.95"),
        (np.full((2, N), np.nan), r"tune_cents is nan cents; it must be -100 to 100 cents"),
    ],
    ids=["missing", "text", "short", "deep", "range", "nan"],
)
def test_values_that_do_not_fit_are_refused(values: Any, message: str) -> None:  # noqa: ANN401
    """A missing name, a wrong shape and a value outside its range are named."""
    with pytest.raises(ParameterError, match=message):
        CATALOGUE.encode(values)


@pytest.mark.parametrize("bad", [1.001, -0.001, float("nan")])
def test_places_outside_the_cube_are_refused(bad: float) -> None:
    """The first place outside [0, 1] is named with its parameter."""
    unit = np.full((2, len(CATALOGUE)), 0.5)
    unit[1, 3] = bad
    with pytest.raises(ParameterError, match=r"osc1\.triangle_level is at .* of its range"):
        CATALOGUE.decode(unit)


def test_validate_sorts_what_is_there() -> None:
    """Not every name has to be there, but each must be known; they come in order."""
    with pytest.raises(ParameterError, match=r"osc3\.octave is no parameter here\. Did you mean"):
        CATALOGUE.validate({"osc3.octave": 0.0})
    checked = CATALOGUE.validate({"noise.level": 1, "tune_cents": 5})
    assert list(checked.items()) == [("tune_cents", 5.0), ("noise.level", 1.0)]
    assert all(type(value) is float for value in checked.values())


def test_clip_moves_values_into_the_space() -> None:
    """Values of a wider instrument land on the nearest that this one has."""
    space = ParameterSpace((CATALOGUE["osc1.octave"], CATALOGUE["filter.slope_db_per_octave"]))
    assert space.clip(np.array([[9.0, 6.0], [-0.6, 20.0]])).tolist() == [[2.0, 12.0], [-1.0, 24.0]]
    # NaN has no nearest value.
    with pytest.raises(ParameterError, match="tune_cents is nan cents"):
        CATALOGUE.clip({**CATALOGUE.neutral(), "tune_cents": float("nan")})


def test_to_dict_needs_one_value_for_each_name() -> None:
    """A row of another length isn't named by guessing."""
    with pytest.raises(ParameterError, match=rf"values have shape \(3,\); it must be \({N},\)"):
        CATALOGUE.to_dict(np.zeros(3))


@pytest.mark.parametrize(
    ("name", "changes", "expected"),
    [
        ("amp_env.attack_s", {"low": 0.001}, {"low": 0.001, "neutral": 0.001, "high": 4.0}),
        ("highpass.cutoff_hz", {"high": 500.0}, {"low": 20.0, "neutral": 20.0, "high": 500.0}),
        ("filter.cutoff_hz", {"high": 10_000.0}, {"high": 10_000.0, "neutral": 10_000.0}),
        ("filter.key_track_ratio", {"step": 0.5}, {"step": 0.5, "neutral": 0.0}),
        (
            "filter.key_track_ratio",
            {"choices": (0.0, 0.5, 1.0)},
            {"choices": (0.0, 0.5, 1.0), "low": 0.0, "high": 1.0, "step": None},
        ),
        (
            "osc1.octave",
            {"choices": (-1, 0, 1)},
            {"choices": (-1.0, 0.0, 1.0), "low": -1.0, "high": 1.0, "step": None},
        ),
        ("filter.slope_db_per_octave", {"low": 24.0}, {"choices": (24.0,), "neutral": 24.0}),
        ("filter.slope_db_per_octave", {"high": 12.0}, {"choices": (12.0,), "neutral": 12.0}),
        ("filter.slope_db_per_octave", {"step": 6.0}, {"choices": (), "step": 6.0}),
        ("osc2.detune_cents", {"low": -50.0, "high": 50.0}, {"low": -50.0, "neutral": 0.0}),
        ("osc2.detune_cents", {"low": 0.0, "scale": "linear"}, {"low": 0.0, "scale": "linear"}),
        ("filter.resonance_ratio", {"neutral": 0.1}, {"neutral": 0.1, "low": 0.0}),
    ],
)
def test_an_instrument_changes_ranges(
    name: str, changes: dict[str, Any], expected: dict[str, Any]
) -> None:
    """A structure gives a parameter another range, step or choices; the rest stays in place."""
    space = CATALOGUE.replace(name, **changes)
    assert {field: getattr(space[name], field) for field in expected} == expected
    assert space.names == CATALOGUE.names
    assert space.hold(name) == CATALOGUE.hold(name)


@pytest.mark.parametrize(
    ("name", "changes", "message"),
    [
        ("osc2.detune_cents", {"low": -50.0}, r"osc2\.detune_cents: .*quadratic scale needs"),
        ("filter.cutoff_hz", {"low": 0.0}, r"filter\.cutoff_hz: low is 0.0; a log scale needs"),
        ("filter.cutoff_hz", {"high": 10.0}, r"filter\.cutoff_hz: .*low must be below high"),
        ("filter.slope_db_per_octave", {"low": 30.0}, r"none of 12 or 24 dB/octave lies within"),
        ("filter.slope_db_per_octave", {"choices": ()}, r"choices are empty"),
        ("filter.cutof_hz", {"low": 30.0}, r"Did you mean filter\.cutoff_hz"),
    ],
)
def test_a_change_that_cannot_work_is_refused(
    name: str, changes: dict[str, Any], message: str
) -> None:
    """A structure with a range that can't be drawn is refused under the parameter's name."""
    with pytest.raises(ParameterError, match=message):
        CATALOGUE.replace(name, **changes)


@few
@given(parameters(name="osc1.octave"))
def test_a_doubled_name_is_refused(parameter: Parameter) -> None:
    """Columns are known by their names, so each may stand once."""
    with pytest.raises(ParameterError, match=r"osc1\.octave stands twice in the space"):
        ParameterSpace((parameter, parameter))


def test_arguments_are_left_alone() -> None:
    """Encoding and decoding change copies, never the caller's arrays."""
    unit = np.full((2, len(CATALOGUE)), 0.37)
    values = CATALOGUE.decode(unit)
    kept = values.copy()
    CATALOGUE.encode(values)
    CATALOGUE.clip(values)
    assert np.all(unit == 0.37)
    np.testing.assert_array_equal(values, kept)
