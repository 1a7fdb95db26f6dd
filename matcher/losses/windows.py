"""Mel band levels of a sound over one window size."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import spectra

if TYPE_CHECKING:
    from shared import Float32Array
    from shared.types import IntArray

__all__ = ["Bands", "Window", "WindowBuffers", "WindowPlan", "mel_bands"]

LOWEST_HZ = 20.0
# Slaney's mel scale (M. Slaney, Auditory Toolbox, Interval Research, 1998), as librosa has it.
HZ_PER_MEL, LOG_FROM_HZ = 200.0 / 3.0, 1000.0
LOG_FROM_MEL, LOG_STEP = LOG_FROM_HZ / HZ_PER_MEL, float(np.log(6.4)) / 27.0


@dataclass(frozen=True)
class Bands:
    """The non-zero weights of bands over the bins of one window size.

    `weights` has one band after the other, each filled up with zeros to a multiple of four;
    `starts` and `ends` are the first bin of each band, and the bin after its last.
    """

    weights: Float32Array
    starts: IntArray
    ends: IntArray

    def __len__(self) -> int:
        """Count the bands."""
        return len(self.starts)


def mel_bands(
    n_fft: int, n_mels: int, *, sample_rate_hz: int, low_hz: float, high_hz: float
) -> Bands:
    """Make the bands of `librosa.filters.mel` (area-normalised, Slaney's scale) in sparse form.

    The same to the bit, without the second that its import takes. Bands narrower than the bins,
    which would hold none, are left out.
    """
    top_hz = min(high_hz, sample_rate_hz / 2)
    mels = np.linspace(_to_mel(low_hz), _to_mel(top_hz), n_mels + 2)
    middles_hz = HZ_PER_MEL * mels
    is_log = mels >= LOG_FROM_MEL
    middles_hz[is_log] = LOG_FROM_HZ * np.exp(LOG_STEP * (mels[is_log] - LOG_FROM_MEL))
    ramps = np.subtract.outer(middles_hz, np.fft.rfftfreq(n_fft, 1.0 / sample_rate_hz))
    widths_hz = np.diff(middles_hz)[:, None]
    lower, upper = -ramps[:-2] / widths_hz[:-1], ramps[2:] / widths_hz[1:]
    matrix = np.maximum(0.0, np.minimum(lower, upper)).astype(np.float32)
    matrix *= (2.0 / (middles_hz[2:] - middles_hz[:-2]))[:, None]
    matrix = matrix[matrix.any(axis=1)]
    starts = np.array([np.flatnonzero(row)[0] for row in matrix], dtype=np.int64)
    ends = np.array([np.flatnonzero(row)[-1] + 1 for row in matrix], dtype=np.int64)
    pieces = [
        np.pad(row[a:b], (0, -(b - a) % 4)) for row, a, b in zip(matrix, starts, ends, strict=True)
    ]
    return Bands(np.concatenate(pieces).astype(np.float32), starts, ends)


def _to_mel(hz: float) -> float:
    """Slaney's scale: equal steps up to 1 kHz, equal ratios above."""
    if hz < LOG_FROM_HZ:
        return hz / HZ_PER_MEL
    return LOG_FROM_MEL + float(np.log(hz / LOG_FROM_HZ)) / LOG_STEP


@dataclass(frozen=True)
class WindowPlan:
    """How a window size is laid out: frames in samples, `start` in a placed sound."""

    n_fft: int
    hop: int
    n_mels: int
    high_hz: float
    start: int
    n_frames: int


@dataclass(frozen=True)
class Window:
    """One window size with the target's bands in it.

    `shape` is the Hann window, `floor` the power that is added to each band; `levels` in dB and
    `amplitudes` have shape (n_frames, n_bands).
    """

    plan: WindowPlan
    shape: Float32Array
    bands: Bands
    floor: float
    levels: Float32Array
    amplitudes: Float32Array

    @classmethod
    def of_target(
        cls, placed: Float32Array, plan: WindowPlan, *, sample_rate_hz: int, floor_db: float
    ) -> Window:
        """Analyse the target; the floor lies `floor_db` under its loudest band."""
        bands = mel_bands(
            plan.n_fft,
            plan.n_mels,
            sample_rate_hz=sample_rate_hz,
            low_hz=LOWEST_HZ,
            high_hz=plan.high_hz,
        )
        shape = np.hanning(plan.n_fft + 1)[:-1].astype(np.float32)
        empty = np.empty((plan.n_frames, len(bands)), np.float32)
        blank = cls(plan, shape, bands, 0.0, empty, empty)
        _, loudest = WindowBuffers(blank).analyse(placed, 1.0)
        floored = replace(blank, floor=float(np.max(loudest)) ** 2 * 10.0 ** (floor_db / 10.0))
        levels, amplitudes = WindowBuffers(floored).analyse(placed, 1.0)
        return replace(floored, levels=levels, amplitudes=amplitudes)


class WindowBuffers:
    """Analyses sounds with one window size, in buffers of its own."""

    def __init__(self, window: Window) -> None:
        self.window = window
        self._tables = spectra.transform_tables(window.plan.n_fft)
        self._bands = window.bands.weights, window.bands.starts, window.bands.ends
        self.levels = np.empty((window.plan.n_frames, len(window.bands)), np.float32)
        self._amplitudes = np.empty_like(self.levels)

    def analyse(self, placed: Float32Array, gain: float) -> tuple[Float32Array, Float32Array]:
        """Return band levels in dB and amplitudes of a placed sound, scaled by `gain`.

        Both have shape (n_frames, n_bands) and are overwritten by the next call.
        """
        window = self.window
        spectra.band_levels(
            placed,
            (window.plan.start, window.plan.hop),
            window.shape * np.float32(gain),
            self._tables,
            self._bands,
            window.floor,
            self.levels,
            self._amplitudes,
        )
        return self.levels, self._amplitudes
