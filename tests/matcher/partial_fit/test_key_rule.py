"""Rates and depths over the keyboard."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.matching import make_problem
from matcher.partial_fit.entries import Entries, KeyRule
from matcher.partial_fit.model import DEPTH, MOVES, PWM_DEPTH, PWM_RATE, RATE
from tests.own_notes import own_target
from voice import load_structure

if TYPE_CHECKING:
    from shared import FloatArray

KEYS = (48.0, 60.0, 84.0)
OCTAVES = np.array([-1.0, 0.0, 2.0])


def entries_at(*keys: float) -> list[Entries]:
    """Return the entries of notes of the whole voice."""
    problem = make_problem(own_target(*keys), load_structure("complete"))
    return [Entries.of(problem, problem.vector({}), key) for key in keys]


def vectors_of(
    entries: list[Entries], *, rates: FloatArray, depths: FloatArray | float
) -> FloatArray:
    """Put vibratos of oscillator 1 into vectors: octaves above 1 Hz, and cents."""
    vectors = np.stack([own.base for own in entries])
    vectors[:, MOVES + RATE], vectors[:, MOVES + DEPTH] = rates, depths
    return vectors


def test_a_rule_comes_back() -> None:
    """Rate and depth at C4 with their key tracking, from notes that follow a rule."""
    entries = entries_at(*KEYS)
    vectors = vectors_of(
        entries, rates=np.log2(5.0) + 0.35 * OCTAVES, depths=16.0 * 2.0 ** (-0.4 * OCTAVES)
    )
    vectors[:, MOVES + PWM_DEPTH] = 0.1
    vectors[:, MOVES + PWM_RATE] = np.log2(0.9) + 0.2 * OCTAVES
    rule = KeyRule.of(vectors, entries, np.ones(3, bool), 1)
    wanted = {
        "osc1.vibrato.rate_hz": 5.0,
        "osc1.vibrato.rate_key_track_ratio": 0.35,
        "osc1.vibrato.depth_cents": 16.0,
        "osc1.vibrato.depth_key_track_ratio": -0.4,
        "osc1.pwm.rate_hz": 0.9,
        "osc1.pwm.rate_key_track_ratio": 0.2,
    }
    settings = rule.settings()
    # 1e-9: rounding.
    assert {name: settings[name] for name in wanted} == pytest.approx(wanted, rel=1e-9)
    for vector, own in zip(vectors, entries, strict=True):
        np.testing.assert_allclose(rule.at(own.key_octaves), vector, rtol=1e-9, atol=1e-12)


def test_key_tracking_stays_within_its_range() -> None:
    """Steeper than the range, the line turns about the middle of the keys."""
    entries = entries_at(*KEYS)
    vectors = vectors_of(entries, rates=2.0 + 3.0 * OCTAVES, depths=10.0)
    rule = KeyRule.of(vectors, entries, np.ones(3, bool), 0)
    highest = entries[0].tracking[2, MOVES + RATE]
    assert rule.tracking[MOVES + RATE] == highest == 1.0
    middle = OCTAVES.mean()
    assert rule.at(middle)[MOVES + RATE] == pytest.approx(2.0 + 3.0 * middle)


def test_a_vibrato_without_depth_tells_no_tracking() -> None:
    """What isn't heard stays at the base, whatever its rates are."""
    entries = entries_at(*KEYS)
    vectors = vectors_of(entries, rates=2.0 + 0.5 * OCTAVES, depths=0.1)
    rule = KeyRule.of(vectors, entries, np.ones(3, bool), 0)
    np.testing.assert_array_equal(rule.tracking, entries[0].tracking[0])


def test_notes_that_do_not_count_change_nothing() -> None:
    """A note whose fit failed leaves the rule of the others alone."""
    entries = entries_at(*KEYS)
    vectors = vectors_of(entries, rates=2.0 + 0.3 * OCTAVES, depths=10.0)
    vectors[2, MOVES + RATE] += 1.0
    rule = KeyRule.of(vectors, entries, np.array([True, True, False]), 0)
    assert rule.tracking[MOVES + RATE] == pytest.approx(0.3)


def test_notes_of_one_key_tell_no_tracking() -> None:
    """Two rates at the same key are no slope: the longest note's rate stands."""
    entries = entries_at(*KEYS)
    vectors = vectors_of(entries, rates=np.array([2.0, 2.4, 2.4]), depths=10.0)
    rule = KeyRule.of(vectors, entries, np.array([True, False, False]), 0)
    np.testing.assert_array_equal(rule.tracking, entries[0].tracking[0])
    assert rule.at(-1.0)[MOVES + RATE] == pytest.approx(2.0)


def test_a_key_reaches_beyond_the_range_at_c4() -> None:
    """An octave up, a rate may be as much higher as the steepest key tracking makes it."""
    at_c4, up = entries_at(60.0, 72.0)
    i = MOVES + RATE
    lowest, highest = at_c4.tracking[1:, i]
    assert lowest < 0.0 < highest
    np.testing.assert_allclose(
        up.limits.ends[:, i] - at_c4.limits.ends[:, i], [lowest, highest], rtol=1e-12
    )
