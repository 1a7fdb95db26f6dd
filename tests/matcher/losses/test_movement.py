"""Movement of pitch and level is measured in cents and dB, without the phase of an LFO."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.losses import NoteTarget, breakdown
from shared import FloatArray, hz_to_midi
from tests.matcher.losses.one_sound import score
from tests.plain_notes import plain_note

RATE_HZ = 44_100
PITCH_HZ = 220.0
STILL = plain_note(duration_s=1.5)


def target_of(
    note: FloatArray, *, gate_s: float = 1.4, sample_rate_hz: int = RATE_HZ
) -> NoteTarget:
    """Return a note as a target."""
    return NoteTarget(
        note,
        sample_rate_hz=sample_rate_hz,
        midi_pitch=float(hz_to_midi(PITCH_HZ)),
        gate_s=gate_s,
    )


def moving(**options: float) -> FloatArray:
    """Return the note with a movement."""
    return plain_note(duration_s=1.5, **options)


def term(target: NoteTarget, sound: FloatArray, name: str) -> float:
    """Return one term of a sound's score."""
    return breakdown(score(target, sound)).terms[name]


@pytest.mark.parametrize(
    ("cents", "sample_rate_hz"), [(-30.0, 44_100), (5.0, 22_050), (20.0, 96_000)]
)
def test_the_slow_pitch_is_in_cents(cents: float, sample_rate_hz: int) -> None:
    """Equal temperament: 1200 cents are an octave; the track lies at the note's deviation."""
    note = moving(pitch_hz=PITCH_HZ * 2.0 ** (cents / 1200.0), sample_rate_hz=sample_rate_hz)
    track = target_of(note, sample_rate_hz=sample_rate_hz).measures.movement.slow_cents
    # 0.5 cents: well below what is heard (about 5 cents on tones with overtones, from memory).
    np.testing.assert_allclose(track[len(track) // 4 : -4], cents, atol=0.5)


@pytest.mark.parametrize(("cents", "rate_hz"), [(5.0, 5.5), (15.0, 3.0), (40.0, 8.0)])
def test_a_vibrato_shows_at_its_rate_with_its_depth(rate_hz: float, cents: float) -> None:
    """The greatest depth of the pitch's modulation spectrum is the vibrato's."""
    still, vibrato = (
        target_of(note).measures.movement.pitch
        for note in (STILL, moving(vibrato_hz=rate_hz, vibrato_cents=cents))
    )
    # A fifth: the pitch is a mean over steps of 9 ms, and a rate may lie between two of the
    # spectrum's.
    assert vibrato.max() == pytest.approx(cents, rel=0.2)
    assert still.max() < 0.1 * cents


def test_the_phase_of_a_vibrato_is_not_heard() -> None:
    """Another phase differs by much less than another depth or another rate."""
    target = target_of(moving(vibrato_hz=5.0, vibrato_cents=20.0))
    phase, depth, rate = (
        term(target, moving(**options), "modulation")
        for options in (
            {"vibrato_hz": 5.0, "vibrato_cents": 20.0, "vibrato_phase": 0.4},
            {"vibrato_hz": 5.0, "vibrato_cents": 40.0},
            {"vibrato_hz": 7.5, "vibrato_cents": 20.0},
        )
    )
    # A third: the phase is not quite without effect, as the track is cut at attack and release.
    assert phase < depth / 3.0
    assert phase < rate / 3.0


def test_more_movement_is_more_difference() -> None:
    """From none to much, of the pitch and of the level."""
    target = target_of(STILL)
    for options in ("vibrato_cents", "tremolo_db"):
        depths = (0.0, 2.0, 8.0)
        found = [term(target, moving(**{options: depth}), "modulation") for depth in depths]
        assert found[0] == 0.0
        assert np.all(np.diff(found) > 0.0)


def test_a_tremolo_shows_in_every_band_that_sounds() -> None:
    """The level of all partials moves by its depth at its rate."""
    frame = target_of(moving(tremolo_hz=5.0, tremolo_db=2.0)).measures.movement
    deepest = frame.bands.max(axis=0)
    # A fifth, as for the vibrato; the bands between the partials hold their skirts and move too.
    assert np.median(deepest) == pytest.approx(2.0, rel=0.2)


@pytest.mark.parametrize("cents", [3.0, 30.0])
def test_a_mistuned_note_differs_in_pitch(cents: float) -> None:
    """More cents, more of the pitch term; a vibrato around the right pitch hardly counts."""
    target = target_of(STILL)
    less, more = (
        term(target, moving(pitch_hz=PITCH_HZ * 2.0 ** (c / 1200.0)), "pitch")
        for c in (cents, 1.5 * cents)
    )
    assert 0.0 < less < more
    assert term(target, moving(vibrato_hz=6.0, vibrato_cents=cents), "pitch") < 0.5 * less


@pytest.mark.parametrize("gate_s", [0.0, 0.2])
def test_a_note_too_short_to_move_has_no_movement(gate_s: float) -> None:
    """No NaN, no warning, and nothing to compare."""
    note = plain_note(duration_s=0.25)
    target = target_of(note, gate_s=gate_s)
    movement = target.measures.movement
    assert movement.bands.size == movement.pitch.size == 0
    assert term(target, plain_note(duration_s=0.25, vibrato_cents=20.0), "modulation") == 0.0
    assert np.isfinite(term(target, np.zeros(1), "pitch"))


@pytest.mark.parametrize("midi_pitch", [0.0, 24.0, 127.0])
def test_any_pitch_of_the_keyboard_can_be_followed(midi_pitch: float) -> None:
    """From 8 Hz to 12.5 kHz, also at the lowest rate: finite figures."""
    for sample_rate_hz in (8_000, 22_050):
        target = NoteTarget(
            plain_note(sample_rate_hz=sample_rate_hz),
            sample_rate_hz=sample_rate_hz,
            midi_pitch=midi_pitch,
            gate_s=0.5,
        )
        movement = target.measures.movement
        for values in (movement.slow_cents, movement.pitch, movement.bands):
            assert np.all(np.isfinite(values))
