"""Brightness, cutoff, and what is left between the harmonics."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import bilinear, lfilter

from matcher.target.model import PitchTrack
from matcher.target.spectrum import (
    centroid_track,
    cutoff_track,
    harmonic_to_noise_db,
    odd_over_even_db,
)
from tests.matcher.target.tones import (
    RATE_HZ,
    harmonic_tone,
    harmonics_of_pulse,
    harmonics_of_saw,
    key_hz,
)


def four_poles(signal: np.ndarray, cutoff_hz: float) -> np.ndarray:
    """Filter with four RC stages of one cutoff: -12 dB there, 24 dB per octave above."""
    # Warped so that the digital filter is exact at the cutoff.
    w = 2.0 * RATE_HZ * np.tan(np.pi * cutoff_hz / RATE_HZ)
    b, a = bilinear([1.0], [1.0 / w, 1.0], fs=RATE_HZ)
    for _ in range(4):
        signal = lfilter(b, a, signal)
    return np.asarray(signal)


@pytest.mark.parametrize("key", [36.0, 48.0, 60.0, 72.0])
@pytest.mark.parametrize("cutoff_hz", [400.0, 1500.0, 5000.0])
def test_the_cutoff_behind_a_sawtooth_is_found(key: float, cutoff_hz: float) -> None:
    """Within a fifth of an octave where several harmonics lie above the cutoff."""
    hz = key_hz(key)
    tone = four_poles(harmonic_tone(hz, harmonics_of_saw(hz)), cutoff_hz)
    track = cutoff_track(tone, sample_rate_hz=RATE_HZ, pitch_hz=hz)
    found = float(np.median(track.cutoff_hz[10:-10]))
    assert abs(np.log2(found / cutoff_hz)) < 0.2


def test_an_open_filter_is_found_open() -> None:
    """A plain sawtooth needs no filter."""
    hz = key_hz(48.0)
    track = cutoff_track(
        harmonic_tone(hz, harmonics_of_saw(hz)), sample_rate_hz=RATE_HZ, pitch_hz=hz
    )
    assert float(np.median(track.cutoff_hz)) > 14_000.0


@pytest.mark.parametrize("gain", [1e-3, 1.0, 30.0])
def test_the_cutoff_does_not_depend_on_the_level(gain: float) -> None:
    """Louder in, same cutoff."""
    tone = four_poles(harmonic_tone(110.0, harmonics_of_saw(110.0), duration_s=0.4), 1000.0)
    reference = cutoff_track(tone, sample_rate_hz=RATE_HZ, pitch_hz=110.0).cutoff_hz
    louder = cutoff_track(gain * tone, sample_rate_hz=RATE_HZ, pitch_hz=110.0).cutoff_hz
    np.testing.assert_allclose(louder, reference)


def test_the_centroid_of_a_sine_is_its_frequency() -> None:
    """One line is its own centre of gravity; silence has none and is 0."""
    tone = np.concatenate(
        [harmonic_tone(1000.0, {1: 1.0}, duration_s=0.5), np.zeros(RATE_HZ // 2)]
    )
    times, centroid = centroid_track(tone, sample_rate_hz=RATE_HZ)
    # 10 Hz: half a bin of the transform.
    np.testing.assert_allclose(centroid[(times > 0.05) & (times < 0.45)], 1000.0, atol=10.0)
    np.testing.assert_array_equal(centroid[times > 0.6], 0.0)


@pytest.mark.parametrize("pitch_hz", [65.4, 261.6, 1046.5])
@pytest.mark.parametrize("ratio_db", [0.0, 10.0, 20.0, 30.0])
def test_harmonic_to_noise_ratio_is_that_of_the_mixture(
    pitch_hz: float, ratio_db: float, rng: np.random.Generator
) -> None:
    """White noise of a known level under a tone is measured within 1 dB."""
    tone = harmonic_tone(pitch_hz, harmonics_of_saw(pitch_hz))
    noise = rng.normal(size=tone.size) * tone.std() * 10.0 ** (-ratio_db / 20.0)
    times = np.arange(0.0, 1.0, 0.005)
    track = PitchTrack(times, np.full(times.size, pitch_hz), np.ones(times.size))
    measured = harmonic_to_noise_db(
        tone + noise, track, sample_rate_hz=RATE_HZ, start_s=0.1, end_s=0.9
    )
    assert measured == pytest.approx(ratio_db, abs=1.0)


def test_harmonic_to_noise_ratio_of_no_frame_is_unknown() -> None:
    """A stretch without frames has no ratio."""
    track = PitchTrack(np.array([0.1]), np.array([220.0]), np.array([1.0]))
    assert (
        harmonic_to_noise_db(
            np.ones(RATE_HZ), track, sample_rate_hz=RATE_HZ, start_s=0.5, end_s=0.9
        )
        is None
    )


@pytest.mark.parametrize(("width", "low", "high"), [(0.5, 40.0, 400.0), (0.1, -6.0, 6.0)])
def test_a_square_wave_has_no_even_harmonics(width: float, low: float, high: float) -> None:
    """Fourier series: sin(pi h / 2) vanishes for even h; a narrow pulse has all harmonics."""
    tone = harmonic_tone(220.0, harmonics_of_pulse(220.0, width))
    measured = odd_over_even_db(
        tone, sample_rate_hz=RATE_HZ, pitch_hz=220.0, start_s=0.2, end_s=0.8
    )
    assert low < measured < high


def test_a_sawtooth_has_odd_and_even_harmonics_alike() -> None:
    """Each group is counted against the sawtooth's own 1/h."""
    tone = harmonic_tone(220.0, harmonics_of_saw(220.0))
    measured = odd_over_even_db(
        tone, sample_rate_hz=RATE_HZ, pitch_hz=220.0, start_s=0.2, end_s=0.8
    )
    assert measured == pytest.approx(0.0, abs=0.5)
