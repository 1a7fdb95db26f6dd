"""Mel bands as the non-zero weights of each band, for windows of several sizes."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from shared import Float32Array
    from shared.types import IntArray

__all__ = ["Bands", "mel_bands"]


@dataclass(frozen=True)
class Bands:
    """Bands over the bins of one window size.

    Parameters
    ----------
    weights : np.ndarray, shape=(n_weights,), dtype=float32
        Non-zero weights of the bands, one band after the other, each filled up with zeros to a
        multiple of four.
    starts, ends : np.ndarray, shape=(n_bands,), dtype=int64
        First bin of each band, and the bin after its last.
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
    """Make triangular mel bands.

    Parameters
    ----------
    n_fft : int
        Window size in samples.
    n_mels : int >= 1
        Number of bands; those narrower than the bins, which would hold none, are left out.
    sample_rate_hz : int
        Sampling rate in Hz.
    low_hz, high_hz : float, 0 <= low_hz < high_hz
        Range in Hz; `high_hz` is held to half the rate.

    Returns
    -------
    Bands
        The bands of `librosa.filters.mel` (area-normalised, Slaney's scale) in sparse form.
    """
    import librosa  # noqa: PLC0415  takes a second to import

    top_hz = min(high_hz, sample_rate_hz / 2)
    with warnings.catch_warnings():
        # The span from the lowest band on; an empty band is no error here, it is left out.
        warnings.filterwarnings("ignore", message="Empty filters detected")
        matrix = librosa.filters.mel(
            sr=sample_rate_hz, n_fft=n_fft, n_mels=n_mels, fmin=low_hz, fmax=top_hz
        )
    matrix = matrix[matrix.any(axis=1)]
    starts = np.array([np.flatnonzero(row)[0] for row in matrix], dtype=np.int64)
    ends = np.array([np.flatnonzero(row)[-1] + 1 for row in matrix], dtype=np.int64)
    pieces = [
        np.pad(row[a:b], (0, -(b - a) % 4)) for row, a, b in zip(matrix, starts, ends, strict=True)
    ]
    return Bands(np.concatenate(pieces).astype(np.float32), starts, ends)
