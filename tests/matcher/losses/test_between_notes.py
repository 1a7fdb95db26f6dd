"""Levels between notes: what the velocities explain, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from matcher.losses.between_notes import velocity_slope_db
from shared import Note

VELOCITIES = st.lists(st.integers(1, 127), min_size=2, max_size=6, unique=True)


@given(VELOCITIES, st.floats(-20.0, 20.0), st.floats(-40.0, 40.0))
def test_the_slope_is_that_of_the_levels(
    velocities: list[int], fader_db: float, slope_db: float
) -> None:
    """Levels that follow the voice's rule exactly give its parameter, whatever the fader."""
    notes = [Note(60.0, velocity) for velocity in velocities]
    gains = fader_db + slope_db * (np.array(velocities) - 100.0) / 99.0
    # 1e-9: sums of a few dB in double precision, divided by steps of 1/99 at least.
    assert velocity_slope_db(gains, notes) == pytest.approx(slope_db, abs=1e-9)


def test_the_slope_counts_between_velocity_1_and_100() -> None:
    """12 dB between the two are a parameter of 12 dB (the catalogue's definition)."""
    notes = [Note(60.0, 1), Note(60.0, 100)]
    assert velocity_slope_db(np.array([-12.0, 0.0]), notes) == pytest.approx(12.0)


def test_levels_of_keys_are_left_out_where_one_key_tells() -> None:
    """A body that makes G4 6 dB louder says nothing about velocity."""
    notes = [Note(60.0, 40), Note(60.0, 100), Note(67.0, 100), Note(48.0, 40)]
    gains = np.array([-6.0, 0.0, 6.0, 9.0])
    assert velocity_slope_db(gains, notes) == pytest.approx(6.0 / (60.0 / 99.0))


def test_cents_do_not_make_another_key() -> None:
    """Recorded pitches of one key differ by some cents."""
    notes = [Note(60.03, 40), Note(59.95, 100), Note(67.0, 100)]
    assert velocity_slope_db(np.array([-6.0, 0.0, 6.0]), notes) == pytest.approx(9.9)


def test_without_such_a_key_all_notes_count() -> None:
    """Each key at a velocity of its own is all there is to go by."""
    notes = [Note(48.0, 1), Note(60.0, 100)]
    assert velocity_slope_db(np.array([-10.0, 0.0]), notes) == pytest.approx(10.0)


def test_one_velocity_tells_nothing() -> None:
    """Nor does one note."""
    assert velocity_slope_db(np.array([1.0, 2.0]), [Note(60.0), Note(72.0)]) is None
    assert velocity_slope_db(np.array([1.0]), [Note(60.0)]) is None
