"""Movements of known notes come back from their partials alone."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.matching import make_problem
from matcher.partial_fit.entries import Entries, kind_of_pulses, turned_pulses
from matcher.partial_fit.fit import fit_movement
from matcher.partial_fit.tracks import partial_tracks
from matcher.search.proposals import start_vectors
from tests.benchmarks.bench_known_answers import target_of
from tests.known_notes import known_note
from tests.own_notes import own_target
from voice import load_structure

if TYPE_CHECKING:
    from matcher.partial_fit.fit import MovementFit

pytestmark = pytest.mark.slow


@cache
def fits_of(name: str, structure: str = "complete") -> tuple[tuple[MovementFit, ...], Entries]:
    """Fit a known note, with a fixed seed."""
    target = target_of([known_note(name)])
    problem = make_problem(target, load_structure(structure))
    base, note = start_vectors(problem, target)[0], target.notes[0]
    entries = Entries.of(problem, base, note.note.midi_pitch)
    return tuple(fit_movement(partial_tracks(note), entries, seed=1, n_best=3)), entries


def settings_of(fit: MovementFit, entries: Entries) -> list[dict[str, float]]:
    """Name the settings of a fit, whatever kind of pulse it has, in both orders."""
    plain = turned_pulses(fit.vector, *kind_of_pulses(fit.vector))
    return [entries.settings(x) for x in entries.both_orders(plain)]


def best_orders(name: str) -> list[dict[str, float]]:
    """Name the best fit's settings, in both orders of the oscillators."""
    fits, entries = fits_of(name)
    return settings_of(fits[0], entries)


@pytest.mark.parametrize("name", ["strings_pwm", "strings_pwm_other_edge", "strings_full"])
def test_two_pulse_width_modulations_come_back(name: str) -> None:
    """Rates within 3 %, widths and depths within 0.02, detune within a quarter of a cent."""
    true = known_note(name).values
    orders = best_orders(name)
    found = min(orders, key=lambda x: abs(x["osc1.pwm.rate_hz"] - true["osc1.pwm.rate_hz"]))
    assert found["osc2.detune_cents"] == pytest.approx(true["osc2.detune_cents"], abs=0.25)
    for osc in ("osc1", "osc2"):
        for part, tolerance in (("pulse_width_ratio", 0.02), ("pwm.depth_ratio", 0.02)):
            assert found[f"{osc}.{part}"] == pytest.approx(true[f"{osc}.{part}"], abs=tolerance)
        rate = f"{osc}.pwm.rate_hz"
        assert found[rate] == pytest.approx(true[rate], rel=0.03)


def test_two_vibratos_come_back() -> None:
    """Rates within 2 %, depths within a cent, the delay within 50 ms."""
    true = known_note("strings_full").values
    orders = best_orders("strings_full")
    found = min(orders, key=lambda x: abs(x["osc1.pwm.rate_hz"] - true["osc1.pwm.rate_hz"]))
    for osc in ("osc1", "osc2"):
        depth, rate = f"{osc}.vibrato.depth_cents", f"{osc}.vibrato.rate_hz"
        assert found[depth] == pytest.approx(true[depth], abs=1.0)
        assert found[rate] == pytest.approx(true[rate], rel=0.02)
    delay = "osc1.vibrato.delay_s"
    assert found[delay] == pytest.approx(true[delay], abs=0.05)


def fitted(values: dict[str, float], *, is_bent: bool = False) -> dict[str, float]:
    """Play settings with our own voice, and name what the best fit of the note has."""
    target = own_target(57.0, values=values, gate_s=0.9)
    problem = make_problem(target, load_structure("complete"))
    note = target.notes[0]
    entries = Entries.of(problem, problem.vector({}), note.note.midi_pitch)
    best = fit_movement(partial_tracks(note, is_bent=is_bent), entries, seed=1, n_best=1)[0]
    assert best.left_ratio < 0.03
    orders = settings_of(best, entries)
    return min(orders, key=lambda x: abs(x["osc2.detune_cents"] - values["osc2.detune_cents"]))


def test_a_deep_vibrato_comes_back() -> None:
    """Beyond what is usual: 60 cents."""
    true = {
        "osc1.saw_level": 1.0,
        "osc1.vibrato.rate_hz": 3.0,
        "osc1.vibrato.depth_cents": 60.0,
        "osc2.saw_level": 0.8,
        "osc2.detune_cents": 12.0,
        "filter.cutoff_hz": 3000.0,
    }
    found = fitted(true)
    for name in ("osc1.vibrato.rate_hz", "osc1.vibrato.depth_cents"):
        assert found[name] == pytest.approx(true[name], rel=0.03)


def test_a_quick_pulse_width_modulation_comes_back() -> None:
    """Beyond what is usual: 7 Hz."""
    true = {
        "osc1.saw_level": 0.0,
        "osc1.pulse_level": 1.0,
        "osc1.pulse_width_ratio": 0.4,
        "osc1.pwm.rate_hz": 7.0,
        "osc1.pwm.depth_ratio": 0.2,
        "osc2.saw_level": 0.8,
        "osc2.detune_cents": 12.0,
        "filter.cutoff_hz": 3000.0,
    }
    found = fitted(true)
    assert found["osc1.pwm.rate_hz"] == pytest.approx(7.0, rel=0.03)
    assert found["osc1.pwm.depth_ratio"] == pytest.approx(0.2, abs=0.03)


@pytest.mark.parametrize("is_bent", [False, True])
def test_a_long_bend_comes_back(is_bent: bool) -> None:  # noqa: FBT001  parametrized
    """One oscillator falls into tune over half a second, whatever is left out of the attack."""
    true = {
        "osc1.saw_level": 1.0,
        "osc2.saw_level": 0.8,
        "osc2.detune_cents": 6.0,
        "osc2.pitch_env.depth_cents": 300.0,
        "osc2.pitch_env.decay_s": 0.2,
        "filter.cutoff_hz": 3000.0,
    }
    found = fitted(true, is_bent=is_bent)
    for name, tolerance in (("depth_cents", 0.05), ("decay_s", 0.05)):
        parameter = f"osc2.pitch_env.{name}"
        assert found[parameter] == pytest.approx(true[parameter], rel=tolerance)
    assert abs(found["osc1.pitch_env.depth_cents"]) < 3.0


def test_a_note_that_stands_still_has_no_movement() -> None:
    """One plain sawtooth is fitted by one oscillator without depths."""
    fits, entries = fits_of("single_saw")
    (found,) = settings_of(fits[0], entries)
    assert found["osc2.saw_level"] == found["osc2.pulse_level"] == 0.0
    # 0.2 cents and 0.005 of a cycle can't be heard.
    assert found["osc1.vibrato.depth_cents"] < 0.2
    assert found["osc1.pwm.depth_ratio"] * found["osc1.pulse_level"] < 0.005
    assert found["osc1.pitch_env.depth_cents"] == 0.0


def test_fits_are_sorted_and_differ() -> None:
    """The closest first, and none twice."""
    fits, _ = fits_of("strings_pwm")
    left = [fit.left_ratio for fit in fits]
    assert left == sorted(left)
    assert len(set(left)) == len(left) > 1


def test_the_same_seed_gives_the_same_fits() -> None:
    """To the bit: a search that goes on makes them again."""
    first = fits_of("single_saw")[0]
    fits_of.cache_clear()
    again = fits_of("single_saw")[0]
    for one, other in zip(first, again, strict=True):
        np.testing.assert_array_equal(one.vector, other.vector)


def test_what_a_structure_lacks_does_not_move() -> None:
    """A structure without pulse-width modulation keeps it at its own value."""
    fits, entries = fits_of("strings_vibrato", "two-oscillator")
    fixed = ~entries.is_mobile
    fixed[3:7] = False  # levels are ratios
    for fit in fits:
        np.testing.assert_array_equal(fit.vector[fixed], entries.base[fixed])
