"""Sparse mel bands hold what librosa's matrix holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

import librosa
import numpy as np
import pytest

from matcher.losses.bands import mel_bands

if TYPE_CHECKING:
    from shared import Float32Array

RATES_HZ = [8_000, 22_050, 44_100, 48_000, 96_000]


def rebuilt(n_fft: int, n_mels: int, sample_rate_hz: int, high_hz: float) -> Float32Array:
    """Write the sparse bands as a matrix."""
    bands = mel_bands(n_fft, n_mels, sample_rate_hz=sample_rate_hz, low_hz=40.0, high_hz=high_hz)
    matrix = np.zeros((len(bands), n_fft // 2 + 1), np.float32)
    first = 0
    for row, start, end in zip(matrix, bands.starts, bands.ends, strict=True):
        row[start:end] = bands.weights[first : first + end - start]
        # Filled up with zeros to a multiple of four.
        n_filled = 4 * -(-(end - start) // 4)
        assert not np.any(bands.weights[first + end - start : first + n_filled])
        first += n_filled
    assert first == len(bands.weights)
    return matrix


@pytest.mark.parametrize("sample_rate_hz", RATES_HZ)
@pytest.mark.parametrize(("n_fft", "n_mels"), [(4096, 100), (512, 48), (128, 18)])
@pytest.mark.filterwarnings("ignore:Empty filters detected")
def test_the_weights_are_those_of_librosa(n_fft: int, n_mels: int, sample_rate_hz: int) -> None:
    """Every row of `librosa.filters.mel` that has a weight, bin by bin, and no other."""
    high_hz = min(16_000.0, sample_rate_hz / 2)
    matrix = librosa.filters.mel(
        sr=sample_rate_hz, n_fft=n_fft, n_mels=n_mels, fmin=40.0, fmax=high_hz
    )
    np.testing.assert_array_equal(
        rebuilt(n_fft, n_mels, sample_rate_hz, 16_000.0), matrix[matrix.any(axis=1)]
    )


def test_the_range_is_held_to_half_the_rate() -> None:
    """Asking for more than there is gives the bands up to half the rate."""
    np.testing.assert_array_equal(
        rebuilt(1024, 40, 16_000, 30_000.0), rebuilt(1024, 40, 16_000, 8_000.0)
    )


@pytest.mark.parametrize("sample_rate_hz", RATES_HZ)
def test_no_band_is_empty(sample_rate_hz: int) -> None:
    """A band without a bin would be at the floor in every sound, and dilute every mean."""
    bands = mel_bands(128, 100, sample_rate_hz=sample_rate_hz, low_hz=40.0, high_hz=16_000.0)
    assert 0 < len(bands) < 100
    assert np.all(bands.ends > bands.starts)
    assert np.count_nonzero(bands.weights > 0) == np.sum(bands.ends - bands.starts)
