"""Short-time spectra on an axis of octaves, as an ear and an eye take them in.

Bands are a twelfth of an octave wide, so that low partials stand apart and high ones don't crowd
the picture; the window keeps a front edge within a hundredth of a second.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from shared import ParameterError, seconds_to_samples

if TYPE_CHECKING:
    from shared import FloatArray

__all__ = ["FLOOR_DB", "Spectrogram", "measure_spectrogram"]

WINDOW_S = 0.046
HOP_S = 0.005
# Wider than a screen has columns for; longer notes take wider steps.
MAX_FRAMES = 600
BANDS_PER_OCTAVE = 12
LOWEST_HZ = 40.0
HIGHEST_HZ = 20_000.0
# Under the strongest band, nothing is shown.
FLOOR_DB = -80.0


@dataclass(frozen=True, eq=False)
class Spectrogram:
    """Level over time and frequency.

    Parameters
    ----------
    times_s : np.ndarray, shape=(n_frames,), dtype=float64
        Middle of each frame in s, 0 at the start of the signal.
    bands_hz : np.ndarray, shape=(n_bands,), dtype=float64
        Middle of each band in Hz, a twelfth of an octave apart.
    level_db : np.ndarray, shape=(n_bands, n_frames), dtype=float64
        Level in dB re `reference`, not below `FLOOR_DB`.
    """

    times_s: FloatArray
    bands_hz: FloatArray
    level_db: FloatArray


def measure_spectrogram(
    *signals: FloatArray, sample_rate_hz: int, start_s: float = 0.0, end_s: float | None = None
) -> tuple[Spectrogram, ...]:
    """Measure sounds on one scale: 0 dB is the strongest band of all of them.

    Parameters
    ----------
    *signals : np.ndarray, shape=(n_samples,), dtype=float64
        Mono sounds of one length.
    sample_rate_hz : int
        Sampling rate in Hz.
    start_s, end_s : float, optional
        Part that is shown, in s; all of it if left out.

    Returns
    -------
    tuple of Spectrogram
        One for each sound, all over the same frames and bands.

    Raises
    ------
    ParameterError
        If there is no sound, or their lengths differ.
    """
    if len({signal.shape for signal in signals}) != 1 or signals[0].ndim != 1:
        shapes = ", ".join(str(signal.shape) for signal in signals) or "nothing"
        raise ParameterError(
            f"signals have the shapes {shapes}; mono sounds of one length are accepted.",
            name="signals",
        )
    n_fft = 1 << int(np.ceil(np.log2(WINDOW_S * sample_rate_hz)))
    length_s = signals[0].size / sample_rate_hz
    last_s = length_s if end_s is None else min(end_s, length_s)
    hop_s = max(HOP_S, (last_s - start_s) / MAX_FRAMES)
    times_s = np.arange(start_s, max(last_s, start_s + hop_s), hop_s)
    edges = _edges(n_fft, sample_rate_hz)
    powers = [_power(signal, times_s, n_fft, edges, sample_rate_hz) for signal in signals]
    strongest = max(float(power.max()) for power in powers) or 1.0
    bands_hz = _bands(sample_rate_hz)
    least = 10.0 ** (FLOOR_DB / 10.0)
    return tuple(
        Spectrogram(times_s, bands_hz, 10.0 * np.log10(np.maximum(power / strongest, least)))
        for power in powers
    )


def _bands(sample_rate_hz: int) -> FloatArray:
    """Return the middles of the bands in Hz."""
    highest = min(HIGHEST_HZ, 0.5 * sample_rate_hz)
    n_bands = int(BANDS_PER_OCTAVE * np.log2(highest / LOWEST_HZ))
    return np.asarray(LOWEST_HZ * 2.0 ** ((np.arange(n_bands) + 0.5) / BANDS_PER_OCTAVE))


def _edges(n_fft: int, sample_rate_hz: int) -> FloatArray:
    """Return the edges of the bands in bins, shape (n_bands + 1,)."""
    middles = _bands(sample_rate_hz)
    half = 2.0 ** (0.5 / BANDS_PER_OCTAVE)
    edges_hz = np.append(middles / half, middles[-1] * half)
    return np.asarray(edges_hz * n_fft / sample_rate_hz)


def _power(
    signal: FloatArray, times_s: FloatArray, n_fft: int, edges: FloatArray, sample_rate_hz: int
) -> FloatArray:
    """Return the highest power in each band, shape (n_bands, n_frames).

    Where bands are narrower than bins, the spectrum is read in a straight line between them.
    """
    padded = np.pad(signal, (n_fft // 2, n_fft))
    starts = np.asarray(seconds_to_samples(times_s, sample_rate_hz), dtype=np.int64)
    views = np.lib.stride_tricks.sliding_window_view(padded, n_fft)[
        np.minimum(starts, padded.size - n_fft)
    ]
    power = np.abs(np.fft.rfft(views * np.hanning(n_fft + 1)[:-1], axis=1)) ** 2
    middles = 0.5 * (edges[1:] + edges[:-1])
    below = np.minimum(middles.astype(np.int64), power.shape[1] - 2)
    share = middles - below
    between = power[:, below] * (1.0 - share) + power[:, below + 1] * share
    first = np.ceil(edges[:-1]).astype(np.int64)
    n_bins = np.maximum(np.floor(edges[1:]).astype(np.int64) - first + 1, 0)
    bands = between.T.copy()
    for band in np.flatnonzero(n_bins >= 1):
        inside = power[:, first[band] : first[band] + n_bins[band]]
        if inside.shape[1]:
            bands[band] = np.maximum(bands[band], inside.max(axis=1))
    return np.asarray(bands, dtype=np.float64)
