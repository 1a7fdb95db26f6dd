"""Tests for `shared.catalogue`: the table is the one of the design."""

from __future__ import annotations

import numpy as np

from shared.catalogue import CATALOGUE


def test_names_end_in_their_unit_and_meanings_are_one_line() -> None:
    """The unit stands last in the name; each parameter says in one line what it does."""
    for parameter in CATALOGUE:
        end = ".octave" if parameter.unit == "octave" else f"_{parameter.unit}"
        ends_like_it = parameter.name.endswith((end, f".{parameter.unit}"))
        assert ends_like_it, parameter.name
        assert 10 <= len(parameter.meaning) <= 80
        assert "\n" not in parameter.meaning


def test_both_oscillators_have_the_same_parts() -> None:
    """Oscillator 2 differs from oscillator 1 in its detune and in being silent at neutral."""
    for parameter in CATALOGUE.only("osc1.*"):
        twin = CATALOGUE[parameter.name.replace("osc1", "osc2")]
        same = ("unit", "low", "high", "scale", "group", "meaning", "step", "choices")
        assert [getattr(parameter, f) for f in same] == [getattr(twin, f) for f in same]
        if not parameter.name.endswith("saw_level"):
            assert parameter.neutral == twin.neutral


def test_neutral_is_one_plain_sawtooth() -> None:
    """With everything at neutral oscillator 1 plays its sawtooth and nothing moves."""
    neutral = CATALOGUE.neutral()
    levels = {name: value for name, value in neutral.items() if name.endswith("level")}
    assert {name for name, value in levels.items() if value > 0.0} == {"osc1.saw_level"}
    amounts = (
        *("depth_cents", "depth_ratio", "depth_octaves", "resonance_ratio", "drive_db"),
        *("bypass_ratio", "gain_db", "_hz_db"),
    )
    assert all(value == 0.0 for name, value in neutral.items() if name.endswith(amounts))


def test_depths_are_finest_near_nothing() -> None:
    """A small depth gets a larger share of the search than a large one of the same width."""
    finer = [p.name for p in CATALOGUE if p.scale == "quadratic"]
    for name in finer:
        parameter = CATALOGUE[name]
        width = 0.1 * (parameter.high - parameter.neutral)
        near = parameter.encode(parameter.neutral + width) - parameter.encode(parameter.neutral)
        far = parameter.encode(parameter.high) - parameter.encode(parameter.high - width)
        assert near > 2.0 * far
    assert {"osc2.detune_cents", "osc1.vibrato.depth_cents", "noise.level"} <= set(finer)


def test_every_table_value_is_reached_exactly() -> None:
    """Neutral, low and high of the whole table survive the unit range to the last bit."""
    for row in (
        [p.neutral for p in CATALOGUE],
        [p.low for p in CATALOGUE],
        [p.high for p in CATALOGUE],
    ):
        assert CATALOGUE.decode(CATALOGUE.encode(np.array(row))).tolist() == row
