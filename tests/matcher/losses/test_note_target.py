"""Where candidates are placed, and what the levels between notes tell."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matcher.losses import NoteScorer, NoteTarget, totals, velocity_slope_db
from matcher.losses.note_target import PLACE_CYCLE_S, SILENT_HOPS, find_onset
from shared import CATALOGUE, PHASE_NAMES, Float32Array, FloatArray, Note, ParameterError
from tests.plain_notes import plain_note
from voice import NoteRenderer

HOP = 11
RATE_HZ = 22_050
VELOCITIES = st.lists(st.integers(1, 127), min_size=2, max_size=6, unique=True)


def onset_of(signal: Float32Array) -> int:
    """Find the onset of a signal, with the silence that is wanted ahead of it."""
    padded = np.concatenate([np.zeros(SILENT_HOPS * HOP, np.float32), signal])
    return find_onset(padded, HOP, np.empty(len(padded) // HOP, np.float32))


@pytest.mark.parametrize("start", [0, 1, 7, 10, 11, 12, 400])
def test_the_onset_is_found_to_the_sample(start: int) -> None:
    """Also where it moves by less than the grid, and where nothing is silent ahead of it."""
    ramp = np.minimum(np.arange(3000) / 500.0, 1.0)
    sound = (np.sin(0.5 * np.arange(3000)) * ramp).astype(np.float32)
    signal = np.concatenate([np.zeros(start, np.float32), sound])
    # 1 sample: the peak that the threshold counts from is taken on the grid.
    assert onset_of(signal) - onset_of(sound) == pytest.approx(start, abs=1)
    click = np.zeros(500, np.float32)
    click[start] = 1.0
    assert onset_of(click) == start


def test_silence_has_its_onset_at_0() -> None:
    """Nothing is found, and nothing fails."""
    assert onset_of(np.zeros(500, np.float32)) == 0


# Attacks within the 1 ms level, at its end, and well behind it; the filter is far open.
@pytest.mark.parametrize("attack_s", [0.0005, 0.0015, 0.03])
@pytest.mark.parametrize("n_ahead", [0, 3, 441])
def test_the_right_settings_score_nothing(attack_s: float, n_ahead: int) -> None:
    """However hard the attack is, and wherever in the recording the note begins."""
    values = {**CATALOGUE.neutral(), "filter.cutoff_hz": 4000.0, "amp_env.attack_s": attack_s}
    row, phases = np.array([list(values.values())]), np.zeros((1, len(PHASE_NAMES)))
    note = Note(52.0, gate_s=0.1)
    whole = NoteRenderer(note, n_samples=RATE_HZ // 4, sample_rate_hz=RATE_HZ)
    sound = whole.render(row, phases)[:, 0].astype(np.float64)
    target = NoteTarget(
        np.concatenate([np.zeros(n_ahead), 0.3 * sound]),
        sample_rate_hz=RATE_HZ,
        midi_pitch=note.midi_pitch,
        gate_s=note.gate_s,
    )
    again = NoteRenderer(note, n_samples=target.n_render, sample_rate_hz=RATE_HZ)
    scores = NoteScorer(target).score(again.render(row, phases), 1)
    # 0.02 audible steps: float32, and up to one sample from the peak that is taken on a grid. On
    # a grid of 0.25 ms it was 0.6 to 1.7.
    assert totals(scores)[0] < 0.02


def test_a_place_makes_up_for_an_onset_that_was_found_late() -> None:
    """Noise hides the first 4 ms of a slow attack: 3 ms earlier, the right settings fit."""
    values = {**CATALOGUE.neutral(), "filter.cutoff_hz": 4000.0, "amp_env.attack_s": 0.06}
    row, phases = np.array([list(values.values())]), np.zeros((1, len(PHASE_NAMES)))
    note = Note(52.0, gate_s=0.2)
    whole = NoteRenderer(note, n_samples=RATE_HZ // 3, sample_rate_hz=RATE_HZ)
    sound = whole.render(row, phases)[:, 0].astype(np.float64)
    sound[: round(0.004 * RATE_HZ)] = 0.0
    target = NoteTarget(sound, sample_rate_hz=RATE_HZ, midi_pitch=52.0, gate_s=note.gate_s)
    again = NoteRenderer(note, n_samples=target.n_render, sample_rate_hz=RATE_HZ)
    group = np.repeat(again.render(row, phases)[:, :1], 2, axis=1)
    places = np.array([0.0, 1.0 - 0.003 / PLACE_CYCLE_S])
    where_onsets_meet, earlier = totals(NoteScorer(target).score(group, 2, places=places))
    assert earlier < 0.5 * where_onsets_meet
    firsts = [np.flatnonzero(target.place(group[:, 0].copy(), place))[0] for place in places]
    assert firsts[0] - firsts[1] == round(0.003 * RATE_HZ)


def test_a_placed_candidate_lies_on_the_target() -> None:
    """What is written to a file has onset and level of the recording; silence stays silent."""
    note = plain_note()
    target = NoteTarget(note, sample_rate_hz=44_100)
    late = np.concatenate([np.zeros(40 * target.hop), 3.0 * note]).astype(np.float32)
    placed = target.place(np.pad(late, (0, target.n_render))[: target.n_render])
    assert placed.shape == note.shape
    # 1e-6: single precision.
    np.testing.assert_allclose(placed, note, atol=1e-6)
    silent = target.place(np.zeros(target.n_render, np.float32))
    np.testing.assert_array_equal(silent, np.zeros_like(note))


@pytest.mark.parametrize(
    ("signal", "message"),
    [
        (
            np.zeros(8000),
            r"shape \(8000,\); it must be finite samples of one channel, not all zero",
        ),
        (np.zeros(0), r"shape \(0,\); it must be finite samples"),
        (np.ones((100, 2)), r"shape \(100, 2\); it must be finite samples of one channel"),
        (np.array([1.0, np.nan] * 4000), r"finite samples of one channel"),
        (np.ones(1000), "has 23 ms after its onset; it must be 50 ms or more"),
    ],
    ids=["silent", "empty", "stereo", "nan", "short"],
)
def test_a_signal_that_is_no_note_is_refused(signal: FloatArray, message: str) -> None:
    """The message says what it is and what is accepted."""
    with pytest.raises(ParameterError, match=message):
        NoteTarget(signal, sample_rate_hz=44_100)


@settings(max_examples=20)
@given(VELOCITIES, st.floats(-20.0, 20.0), st.floats(-40.0, 40.0))
def test_the_slope_is_that_of_the_levels(
    velocities: list[int], fader_db: float, slope_db: float
) -> None:
    """Levels that follow the voice's rule exactly give its parameter, whatever the fader."""
    notes = [Note(60.0, velocity) for velocity in velocities]
    gains = fader_db + slope_db * (np.array(velocities) - 100.0) / 99.0
    # 1e-9: sums of a few dB in double precision, divided by steps of 1/99 at least.
    assert velocity_slope_db(gains, notes) == pytest.approx(slope_db, abs=1e-9)


@pytest.mark.parametrize(
    ("keys", "gains_db", "expected"),
    [
        # By the catalogue's definition, 12 dB between velocity 1 and 100 are a parameter of 12.
        (((60.0, 1), (60.0, 100)), (-12.0, 0.0), 12.0),
        # A body that makes G4 6 dB louder says nothing about velocity, where one key tells it.
        (((60.0, 40), (60.0, 100), (67.0, 100), (48.0, 40)), (-6.0, 0.0, 6.0, 9.0), 9.9),
        # Recorded pitches of one key differ by some cents.
        (((60.03, 40), (59.95, 100), (67.0, 100)), (-6.0, 0.0, 6.0), 9.9),
        # Each key at a velocity of its own is all there is to go by.
        (((48.0, 1), (60.0, 100)), (-10.0, 0.0), 10.0),
        # One velocity tells nothing, nor does one note.
        (((60.0, 100), (72.0, 100)), (1.0, 2.0), None),
        (((60.0, 100),), (1.0,), None),
    ],
)
def test_the_slope_is_taken_within_keys_if_it_can_be(
    keys: tuple[tuple[float, int], ...], gains_db: tuple[float, ...], expected: float | None
) -> None:
    """Keys differ in level by themselves; velocities of one key tell more."""
    notes = [Note(midi_pitch, velocity) for midi_pitch, velocity in keys]
    found = velocity_slope_db(np.array(gains_db), notes)
    assert found == (expected if expected is None else pytest.approx(expected))
