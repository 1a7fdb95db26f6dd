"""Brightness, noise, and the low-pass filter that a sawtooth would need, over time.

A synthesizer's sawtooth has harmonics at 1/h (its Fourier series); whatever falls faster was
taken away by the filter. So the measured level of each group of harmonics is divided by that
of the same group of a sawtooth, and the cutoff is the one whose four-pole slope fits the rest
best, with the overall level free.

The thresholds are common practice, no source; the tests hold them to known sounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from shared.units import seconds_to_samples

if TYPE_CHECKING:
    from matcher.target.model import PitchTrack
    from shared.types import FloatArray

__all__ = [
    "CutoffTrack",
    "centroid_track",
    "cutoff_track",
    "harmonic_to_noise_db",
    "odd_over_even_db",
]

HOP_S = 0.01
SHORTEST_WINDOW_S = 0.02
CENTROID_N_FFT = 2048
N_PERIODS = 4.0
N_SINGLE_HARMONICS = 8
GROUPS_PER_OCTAVE = 6
HIGHEST_HZ = 18_000.0
# Below this under the frame's strongest harmonic, leakage of the Hann window and noise decide.
RANGE_DB = 60.0
CUTOFFS_HZ = np.geomspace(20.0, 20_000.0, 121)
POLES = 4.0
HNR_LIMIT_DB = 60.0


@dataclass(frozen=True, eq=False)
class CutoffTrack:
    """Cutoff of a four-pole low-pass filter behind a sawtooth, over time.

    Parameters
    ----------
    times_s : np.ndarray, shape=(n_frames,), dtype=float64
        Middle of each frame in s.
    cutoff_hz : np.ndarray, shape=(n_frames,), dtype=float64
        Frequency at which it takes away 12 dB, 20 to 20 000 Hz.
    level_db : np.ndarray, shape=(n_frames,), dtype=float64
        Level of the frame, 0 at the highest.
    """

    times_s: FloatArray
    cutoff_hz: FloatArray
    level_db: FloatArray


def _power_frames(
    signal: FloatArray, n_fft: int, *, sample_rate_hz: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return times (n_frames,), frequencies (n_bins,) and power (n_frames, n_bins) under Hann."""
    hop = seconds_to_samples(HOP_S, sample_rate_hz)
    padded = np.pad(signal, n_fft // 2)
    frames = np.lib.stride_tricks.sliding_window_view(padded, n_fft)[::hop]
    power = np.abs(np.fft.rfft(frames * np.hanning(n_fft + 1)[:-1])) ** 2
    times_s = np.arange(frames.shape[0]) * hop / sample_rate_hz
    bins_hz = np.asarray(np.fft.rfftfreq(n_fft, 1.0 / sample_rate_hz), dtype=np.float64)
    return times_s, bins_hz, np.asarray(power, dtype=np.float64)


def centroid_track(signal: FloatArray, *, sample_rate_hz: int) -> tuple[FloatArray, FloatArray]:
    """Measure the spectral centroid each 10 ms."""
    times_s, bins_hz, power = _power_frames(signal, CENTROID_N_FFT, sample_rate_hz=sample_rate_hz)
    magnitude = np.sqrt(power)
    total = magnitude.sum(axis=1)
    is_sounding = total > 1e-6 * total.max()
    return times_s, np.divide(
        magnitude @ bins_hz, total, out=np.zeros_like(total), where=is_sounding
    )


def cutoff_track(signal: FloatArray, *, sample_rate_hz: int, pitch_hz: float) -> CutoffTrack:
    """Fit a low-pass filter behind a sawtooth to each 10 ms."""
    n_needed = max(N_PERIODS * sample_rate_hz / pitch_hz, SHORTEST_WINDOW_S * sample_rate_hz)
    n_fft = 1 << int(np.ceil(np.log2(n_needed)))
    times_s, bins_hz, power = _power_frames(signal, n_fft, sample_rate_hz=sample_rate_hz)
    edges, centres, expected = _harmonic_groups(pitch_hz, min(HIGHEST_HZ, 0.45 * sample_rate_hz))
    total = np.cumsum(np.pad(power, ((0, 0), (1, 0))), axis=1)
    index = np.searchsorted(bins_hz, edges)
    measured = total[:, index[1:]] - total[:, index[:-1]]
    level = power.sum(axis=1)
    level_db = 10.0 * np.log10(np.maximum(level / level.max(), 1e-12))
    return CutoffTrack(times_s, _fit_cutoffs(measured, expected, centres), level_db)


def _harmonic_groups(
    pitch_hz: float, highest_hz: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Group the harmonics: singly at first, then by 1/6 octave.

    Returns the edges in Hz (n_groups + 1,), the centres in Hz and a sawtooth's power (n_groups,).
    """
    last = max(2, int(highest_hz / pitch_hz - 0.5))
    numbers = [float(number) for number in range(1, min(last, N_SINGLE_HARMONICS) + 2)]
    while numbers[-1] < last:
        wider = round(numbers[-1] * 2.0 ** (1.0 / GROUPS_PER_OCTAVE))
        numbers.append(min(max(wider, numbers[-1] + 1.0), last + 1.0))
    starts = np.array(numbers)
    expected = np.array([np.sum(np.arange(a, b) ** -2.0) for a, b in pairwise(starts)])
    centres = np.sqrt(starts[:-1] * (starts[1:] - 1.0))
    return (starts - 0.5) * pitch_hz, centres * pitch_hz, expected


def _fit_cutoffs(measured: FloatArray, expected: FloatArray, centres: FloatArray) -> FloatArray:
    """Return the best cutoff of each frame, least squares in dB over octaves.

    Groups below the range count as just below it, measured and modelled.
    """
    strongest = np.maximum(measured.max(axis=1, keepdims=True), 1e-30)
    measured_db = 10.0 * np.log10(np.maximum(measured / strongest, 10.0 ** (-RANGE_DB / 10.0)))
    is_heard = measured_db > -RANGE_DB
    width = np.gradient(np.log2(centres))
    heard_width = width * is_heard
    error = np.empty((CUTOFFS_HZ.size, measured.shape[0]))
    for index, cutoff_hz in enumerate(CUTOFFS_HZ):
        model_db = 10.0 * np.log10(expected) - POLES * 10.0 * np.log10(
            1.0 + (centres / cutoff_hz) ** 2
        )
        # Silence before and after the note has nothing above the range.
        total_width = np.maximum(heard_width.sum(axis=1), width.min())
        offset = np.sum(heard_width * (measured_db - model_db), axis=1) / total_width
        shown_db = np.maximum(model_db + offset[:, None], -RANGE_DB)
        error[index] = np.sum(width * (measured_db - shown_db) ** 2, axis=1)
    return np.asarray(CUTOFFS_HZ[np.argmin(error, axis=0)])


def harmonic_to_noise_db(
    signal: FloatArray, track: PitchTrack, *, sample_rate_hz: int, start_s: float, end_s: float
) -> float | None:
    """Measure how much louder the periodic part is than the rest.

    Notes
    -----
    10 log10(r / (1 - r)) with the autocorrelation r of a Hann-windowed frame at one period,
    divided by the window's own [1]_. It is read off the power spectrum at the exact period, so
    that high pitches don't suffer from whole samples.

    References
    ----------
    .. [1] P. Boersma, "Accurate short-term analysis of the fundamental frequency and the
       harmonics-to-noise ratio of a sampled sound", Proc. Institute of Phonetic Sciences 17,
       University of Amsterdam, 1993, equations 4 and 9.
    """
    chosen = np.flatnonzero((track.times_s >= start_s) & (track.times_s <= end_s))
    if chosen.size == 0:
        return None
    chosen = chosen[:: max(1, chosen.size // 40)]
    hz = track.hz[chosen]
    longest_s = 6.0 / float(np.median(hz))
    n_frame = seconds_to_samples(max(SHORTEST_WINDOW_S, longest_s), sample_rate_hz)
    centres = np.rint(track.times_s[chosen] * sample_rate_hz).astype(np.int64)
    padded = np.pad(signal, n_frame)
    frames = padded[centres[:, None] + n_frame - n_frame // 2 + np.arange(n_frame)]
    window = np.hanning(n_frame + 2)[1:-1]
    frames = (frames - frames.mean(axis=1, keepdims=True)) * window
    n_fft = 1 << (2 * n_frame - 1).bit_length()
    bins_hz = np.fft.rfftfreq(n_fft, 1.0 / sample_rate_hz)
    turns = np.cos(2.0 * np.pi * bins_hz / hz[:, None])
    # Each bin stands for itself and for its negative frequency, except 0 Hz.
    twice = np.where(bins_hz > 0.0, 2.0, 1.0)
    power = twice * np.abs(np.fft.rfft(frames, n_fft)) ** 2
    window_power = twice * np.abs(np.fft.rfft(window, n_fft)) ** 2
    own = turns @ window_power / window_power.sum()
    total = power.sum(axis=1)
    ratio = np.divide(
        (power * turns).sum(axis=1), total, out=np.zeros_like(total), where=total > 0
    )
    limit = 1.0 / (1.0 + 10.0 ** (HNR_LIMIT_DB / 10.0))
    ratio = np.clip(ratio / own, limit, 1.0 - limit)
    return float(np.median(10.0 * np.log10(ratio / (1.0 - ratio))))


def odd_over_even_db(
    signal: FloatArray, *, sample_rate_hz: int, pitch_hz: float, start_s: float, end_s: float
) -> float:
    """Compare harmonics 3, 5, 7 with 2, 4, 6, each against those of a sawtooth."""
    n_fft = 1 << int(np.ceil(np.log2(2.0 * N_PERIODS * sample_rate_hz / pitch_hz)))
    times_s, bins_hz, power = _power_frames(signal, n_fft, sample_rate_hz=sample_rate_hz)
    mean = power[(times_s >= start_s) & (times_s <= end_s)].mean(axis=0)
    sums = [0.0, 0.0]
    for number in range(2, 8):
        is_near = np.abs(bins_hz / pitch_hz - number) < 0.4
        sums[number % 2] += float(mean[is_near].sum()) * number**2
    return float(10.0 * np.log10(max(sums[1], 1e-30) / max(sums[0], 1e-30)))
