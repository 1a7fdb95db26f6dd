"""Measures on recorded notes that the tests of the demo targets share."""

from __future__ import annotations

from typing import TYPE_CHECKING

import librosa
import numpy as np
from scipy.signal import fftconvolve, firwin

from shared.units import ratio_to_cents

if TYPE_CHECKING:
    from shared.types import FloatArray

# 1.5 ms: shorter than any movement measured here.
HOP = 64


def partial_level(
    signal: FloatArray, sample_rate_hz: int, frequency_hz: float, *, width_hz: float
) -> FloatArray:
    """Return the level of one partial over time, shape=(n_samples,).

    The partial is moved to 0 Hz and what lies further away than `width_hz` is filtered out
    (heterodyne analysis: Beauchamp, "A computer system for time-variant harmonic analysis and
    synthesis of musical tones", in "Music by Computers", 1969, from memory).
    """
    times_s = np.arange(signal.size) / sample_rate_hz
    moved = signal * np.exp(-2j * np.pi * frequency_hz * times_s)
    taps = firwin(2 * int(sample_rate_hz / width_hz) + 1, width_hz, fs=sample_rate_hz)
    level: FloatArray = 2.0 * np.abs(fftconvolve(moved, taps, mode="same"))
    return level


def pitch_track_cents(
    signal: FloatArray, sample_rate_hz: int, pitch_hz: float, *, n_periods: float
) -> FloatArray:
    """Return the pitch against `pitch_hz` in cents, one value for each `HOP` samples (YIN)."""
    frame = int(2 ** np.ceil(np.log2(n_periods * sample_rate_hz / pitch_hz)))
    track_hz = librosa.yin(
        signal,
        fmin=pitch_hz / 1.3,
        fmax=pitch_hz * 1.3,
        sr=sample_rate_hz,
        frame_length=frame,
        hop_length=HOP,
    )
    return ratio_to_cents(np.asarray(track_hz, dtype=np.float64) / pitch_hz)


def between(track: FloatArray, rate_hz: float, start_s: float, end_s: float) -> FloatArray:
    """Return the part of a track, `rate_hz` values a second, from `start_s` to `end_s`."""
    return track[round(start_s * rate_hz) : round(end_s * rate_hz)]


def swing_of(track: FloatArray, rate_hz: float) -> tuple[float, float]:
    """Return rate in Hz (2.5 to 9) and depth of the sine that a track swings with."""
    centred = track - track.mean()
    n_fft = 16_384
    power = np.abs(np.fft.rfft(centred * np.hanning(centred.size), n_fft)) ** 2
    rates_hz = np.fft.rfftfreq(n_fft, 1.0 / rate_hz)
    power[(rates_hz < 2.5) | (rates_hz > 9.0)] = 0.0
    return float(rates_hz[power.argmax()]), float(np.sqrt(2.0) * centred.std())


def level_db(signal: FloatArray, sample_rate_hz: int, start_s: float, end_s: float) -> float:
    """Return the RMS level from `start_s` to `end_s`, in dB re full scale."""
    part = between(signal, sample_rate_hz, start_s, end_s)
    return float(10.0 * np.log10(np.mean(part**2)))


def audible_start_s(signal: FloatArray, sample_rate_hz: int) -> float:
    """Return when the 1 ms level first comes within 40 dB of its peak, in s."""
    n_window = sample_rate_hz // 1_000
    power = np.convolve(signal**2, np.ones(n_window) / n_window, mode="full")
    return float(np.argmax(power > 1e-4 * power.max()) / sample_rate_hz)
