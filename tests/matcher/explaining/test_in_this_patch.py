"""Parts of patches with known construction: there, absent, interchangeable, and where in time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from matcher.explaining import PartEffect
from matcher.explaining.clock import Clock
from matcher.explaining.importance import find_interactions
from matcher.explaining.in_this_patch import parts_in_patch
from tests.explained_notes import BRASS, RETUNED, TRADED, known_patch

if TYPE_CHECKING:
    from collections.abc import Mapping

PITCHED = {**BRASS, "osc2.pitch_env.depth_cents": -300.0, "osc2.pitch_env.decay_s": 0.015}
# In the patch, but not in the target: a noise and a high-pass that nobody hears.
WITH_NOTHING = {**BRASS, "noise.level": 0.006, "highpass.cutoff_hz": 26.0}


def _parts(
    target: Mapping[str, float],
    *pitches: float,
    patch: Mapping[str, float] | None = None,
    structure: str = "two-oscillator",
    is_refitted: bool = False,
) -> dict[str, PartEffect]:
    """Measure the parts of a patch, the true one if left out; by title."""
    with (
        known_patch(target, *pitches, patch_values=patch, structure=structure) as prepared,
        Clock(1e6) as clock,
    ):
        clock.begin(1.0)
        found = parts_in_patch(prepared, clock, is_refitted=is_refitted)
    return {effect.part: effect for effect in found.parts}


@pytest.fixture(scope="module")
def pitched() -> dict[str, PartEffect]:
    """Measure a brass-like note with a pitch envelope on oscillator 2, without fits."""
    return _parts(PITCHED, structure="two-oscillator-pitch-envelope")


@pytest.fixture(scope="module")
def retuned() -> dict[str, PartEffect]:
    """Measure a note whose tuning could be had from either of two controls, with fits."""
    return _parts(RETUNED, is_refitted=True)


def test_parts_that_are_there_are_named(pitched: dict[str, PartEffect]) -> None:
    """Whatever the target was built from is missed when it is left out."""
    there = {title for title, effect in pitched.items() if effect.is_there}
    assert there == {
        "oscillator 1",
        "oscillator 2",
        "detune, oscillator 2",
        "pitch envelope, oscillator 2",
        "low-pass filter",
        "resonance",
        "filter envelope",
        "amplifier envelope",
    }


def test_parts_that_are_absent_are_called_absent(pitched: dict[str, PartEffect]) -> None:
    """What stands at rest in the patch is absent, and has no figures."""
    absent = {title for title, effect in pitched.items() if effect.verdict == "absent"}
    assert absent == {"fine tune", "octave, oscillator 2"}
    assert all(pitched[title].loss is None for title in absent)


def test_parts_that_nobody_hears_may_be_left_out() -> None:
    """A noise and a high-pass that change nothing audible aren't missed."""
    found = _parts(BRASS, patch=WITH_NOTHING, structure="complete")
    assert found["noise"].verdict == "inaudible"
    assert found["high-pass filter"].verdict == "inaudible"
    assert "no audible difference" in found["noise"].sentence
    assert found["filter envelope"].is_there


def test_a_pitch_envelope_shows_up_in_the_attack(pitched: dict[str, PartEffect]) -> None:
    """On one of two oscillators it makes the front edge, and the body is as good without."""
    effect = pitched["pitch envelope, oscillator 2"]
    # From one just-noticeable difference on, something is missed.
    assert effect.by_time["attack"] > 2.0
    assert effect.by_time["body"] < 1.0
    assert effect.by_time["release"] < 1.0
    assert "attack" in effect.sentence


def test_a_filter_shows_up_in_the_highs(pitched: dict[str, PartEffect]) -> None:
    """Without the low-pass the highs are too strong, most of all bands."""
    effect = pitched["low-pass filter"]
    assert effect.by_band["highs"] == max(effect.by_band.values())


def test_what_others_can_take_over_is_replaceable(retuned: dict[str, PartEffect]) -> None:
    """Left without its detune, the oscillator comes back to pitch by the fine tune."""
    effect = retuned["detune, oscillator 2"]
    assert effect.verdict == "replaceable"
    assert effect.largest is not None
    assert effect.refit_largest is not None
    assert effect.refit_largest < 0.1 * effect.largest
    tune = next(s for s in effect.stand_ins if s.name == "tune_cents")
    # 30 and -18 cents; a third of a cent is far below what is heard.
    assert tune.after == pytest.approx(12.0, abs=0.3)
    assert "fine tune +30.0 cents to +12" in effect.sentence


def test_what_nothing_can_take_over_is_needed(retuned: dict[str, PartEffect]) -> None:
    """Neither tuning nor levels make up for an open filter or for a key that clicks."""
    assert retuned["low-pass filter"].verdict == "needed"
    assert retuned["amplifier envelope"].verdict == "needed"
    # All that sounds.
    assert retuned["oscillator 2"].verdict == "needed"
    assert retuned["oscillator 2"].loss is None


def test_controls_of_one_filter_act_jointly() -> None:
    """Cutoff and envelope depth add up, so neither explains the loss around the patch alone."""
    effects = [
        PartEffect("filter envelope", "needed", neutral={"filter_env.depth_octaves": 0.0}),
        PartEffect("low-pass filter", "needed", neutral={"filter.cutoff_hz": 20_000.0}),
        PartEffect("detune, oscillator 2", "needed", neutral={"osc2.detune_cents": 0.0}),
        PartEffect("noise", "absent", neutral={"noise.level": 0.0}),
    ]
    with known_patch(TRADED) as prepared:
        found = find_interactions(prepared, effects, n_points=32)
        assert found is not None
        joint = {name: found.total[name] - found.first[name] for name in found.first}
        first_two = sorted(joint, key=lambda name: -joint[name])[:2]
        assert set(first_two) == {"filter.cutoff_hz", "filter_env.depth_octaves"}
        assert "noise.level" not in found.first


def test_a_stop_ends_the_fits() -> None:
    """With a stop asked for, every part is still left out once, and no fit is begun."""
    with known_patch(BRASS) as prepared, Clock(60.0, stop=lambda: True) as clock:
        clock.begin(1.0)
        found = parts_in_patch(prepared, clock)
    assert all(effect.refit_largest is None for effect in found.parts)
    assert any(effect.is_there for effect in found.parts)
