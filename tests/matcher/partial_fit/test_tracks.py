"""Partials of a note over time."""

from __future__ import annotations

import dataclasses

import numpy as np

from matcher.partial_fit.tracks import partial_tracks
from tests.own_notes import own_target


def test_partials_of_a_sawtooth_fall_as_one_over_their_number() -> None:
    """A steady sawtooth: magnitudes 2 / (pi k), that neither move nor turn."""
    note = own_target(60.0, values={"osc1.saw_level": 1.0}).notes[0]
    partials = partial_tracks(note).partials
    magnitude = np.abs(partials)
    numbers = np.arange(1, magnitude.shape[1] + 1)
    # 1e-3: the voice's tables are read in straight lines, and windows leak a little.
    np.testing.assert_allclose(
        magnitude * numbers / magnitude[:, :1], np.ones_like(magnitude), atol=1e-3
    )
    np.testing.assert_allclose(partials / partials[0], np.ones_like(partials), atol=5e-3)


def test_a_mistuned_note_turns_by_its_deviation() -> None:
    """10 cents above the nominal pitch: partial k turns by k times the deviation."""
    note = own_target(60.0, values={"osc1.saw_level": 1.0, "tune_cents": 10.0}).notes[0]
    tracks = partial_tracks(note)
    deviation_hz = tracks.pitch_hz * (2.0 ** (10.0 / 1200.0) - 1.0)
    turns = np.angle(tracks.partials[1:] / tracks.partials[:-1]) / (2.0 * np.pi)
    numbers = np.arange(1, turns.shape[1] + 1)
    wanted = np.tile(numbers * deviation_hz * tracks.step_s, (len(turns), 1))
    # 3e-3 of a cycle, 1.9e-3 seen: neighbours leak, as windows hold no whole periods any more.
    np.testing.assert_allclose(turns, wanted, atol=3e-3)


def test_a_weak_partial_is_left_out() -> None:
    """A partial 60 dB under the strongest one may be noise: its track is zero."""
    note = own_target(60.0, values={"osc1.saw_level": 1.0}).notes[0]
    tracks = partial_tracks(note)
    faint = tracks.partials.copy()
    faint[:, 2] *= 1e-4
    power = np.sum(np.abs(dataclasses.replace(tracks, partials=faint).normalised(4)) ** 2, axis=0)
    # 1e-12: rounding of a sum.
    np.testing.assert_allclose(power, [1.0, 1.0, 0.0, 1.0], rtol=1e-12)


def test_a_note_without_a_held_part_has_no_frames() -> None:
    """A gate that ends within the attack leaves nothing to follow."""
    note = own_target(60.0).notes[0]
    short = dataclasses.replace(note, note=dataclasses.replace(note.note, gate_s=0.03))
    assert len(partial_tracks(short).partials) == 0
