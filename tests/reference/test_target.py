"""The measurements on targets against another library, standards and closed forms."""

from __future__ import annotations

import librosa
import numpy as np
import pytest

from matcher.target import target_from_signal
from matcher.target.analyse import centroid_track
from matcher.target.envelope import find_decay, level_track
from tests.matcher.target.tones import (
    RATE_HZ,
    adsr,
    harmonic_tone,
    harmonics_of_saw,
    key_hz,
    padded,
    played_saw,
)
from tests.placing import onset_sample
from tests.recordings import real_note

NOTES = [("trumpet", 60.0), ("horn", 64.0), ("cello", 40.0), ("string ensemble", 67.0)]


@pytest.mark.parametrize(("instrument", "key"), NOTES)
def test_the_pitch_is_that_of_pyin(instrument: str, key: float) -> None:
    """The pYIN of librosa 0.11 (Mauch and Dixon, ICASSP 2014) hears the same pitch.

    10 cents: the resolution of its pitch candidates.
    """
    played = real_note(instrument, key)
    note = target_from_signal(played.signal, played.sample_rate_hz)
    expected_hz = key_hz(key)
    hz, _, _ = librosa.pyin(
        note.signal,
        fmin=expected_hz / 2.5,
        fmax=expected_hz * 2.5,
        sr=RATE_HZ,
        frame_length=4096,
        hop_length=1024,
    )
    voiced = hz[np.isfinite(hz)]
    measured = note.analysis.pitch_hz
    assert measured is not None
    assert 1200.0 * np.log2(measured / np.median(voiced)) == pytest.approx(0.0, abs=10.0)


@pytest.mark.parametrize(("instrument", "key"), NOTES[:2])
def test_the_onset_is_the_one_by_which_matches_are_judged(instrument: str, key: float) -> None:
    """On clean notes: the first sample whose 1 ms level is within 40 dB of the highest."""
    played = real_note(instrument, key)
    recording = padded(played.signal, before_s=0.2)
    note = target_from_signal(recording, RATE_HZ)
    # One sample: sums of squares are rounded differently.
    assert note.source_onset_s * RATE_HZ == pytest.approx(
        onset_sample(recording, RATE_HZ), abs=1.0
    )


@pytest.mark.parametrize(("instrument", "key"), NOTES[:2])
def test_the_spectral_centroid_is_librosas(instrument: str, key: float) -> None:
    """Magnitude-weighted mean frequency, librosa.feature.spectral_centroid (0.11)."""
    signal = real_note(instrument, key).signal
    _, ours = centroid_track(signal, sample_rate_hz=RATE_HZ)
    theirs = librosa.feature.spectral_centroid(
        y=signal, sr=RATE_HZ, n_fft=2048, hop_length=441, pad_mode="constant"
    )[0]
    held = slice(10, 90)
    np.testing.assert_allclose(ours[held], theirs[held], rtol=1e-6)


@pytest.mark.parametrize("attack_s", [0.05, 0.2, 1.0])
def test_the_log_attack_time_of_a_straight_rise(attack_s: float) -> None:
    """ISO/IEC 15938-4, LogAttackTime: log10 of the time from start to maximum.

    Between 2 % and 90 % a straight rise needs 0.88 of its time. The standard leaves the
    thresholds open; from memory.
    """
    analysis = target_from_signal(
        played_saw(69.0, attack_s=attack_s, gate_s=attack_s + 0.5), RATE_HZ
    ).analysis
    # 0.03: 3 ms of 50, the length of the level's window.
    assert analysis.log_attack_time == pytest.approx(np.log10(0.88 * attack_s), abs=0.03)


@pytest.mark.parametrize("time_s", [0.03, 0.1, 0.4])
def test_a_decay_is_an_rc_discharge(time_s: float) -> None:
    """After one time constant 63.2 % of the way are gone: exp(-1), RC circuits, any textbook."""
    tone = harmonic_tone(440.0, {1: 1.0}, duration_s=2.0)
    tone *= 0.4 + 0.6 * np.exp(-np.arange(tone.size) / RATE_HZ / time_s)
    track = level_track(tone, sample_rate_hz=RATE_HZ, pitch_hz=440.0)
    decay = find_decay(track, peak_s=0.005, gate_end_s=1.99)
    # 13 %: the grid of time constants has steps of 13.8 %, and the nearest is half a step away.
    assert decay.time_s == pytest.approx(time_s, rel=0.13)
    at_peak = 0.4 + 0.6 * np.exp(-0.005 / time_s)
    assert decay.sustain_ratio == pytest.approx(0.4 / at_peak, abs=0.02)


@pytest.mark.parametrize("cents", [6.0, 20.0])
def test_the_beat_rate_is_the_difference_of_the_frequencies(cents: float) -> None:
    """Beats of two tones: f2 - f1 (Helmholtz, "On the Sensations of Tone", chapter VIII)."""
    low = key_hz(57.0)
    high = low * 2.0 ** (cents / 1200.0)
    tone = sum(harmonic_tone(hz, harmonics_of_saw(hz), duration_s=2.5) for hz in (low, high))
    signal = 0.1 * np.asarray(tone) * adsr(round(2.5 * RATE_HZ), gate_s=2.2)
    beating = target_from_signal(signal, RATE_HZ).analysis.beating_hz
    assert beating == pytest.approx(high - low, rel=0.03)


def test_a4_is_440_hz() -> None:
    """ISO 16:1975, and MIDI 1.0: key 69 is the A of 440 Hz."""
    tone = harmonic_tone(440.0, harmonics_of_saw(440.0)) * adsr(RATE_HZ, gate_s=0.8)
    assert target_from_signal(0.2 * tone, RATE_HZ).note.midi_pitch == pytest.approx(69.0, abs=1e-3)
