"""Mel bands and their compiled levels, 16 frames at once, against numpy and librosa."""

from __future__ import annotations

from typing import TYPE_CHECKING

import librosa
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matcher.losses import spectra
from matcher.losses.windows import Bands, mel_bands
from shared.lanes import LANES

if TYPE_CHECKING:
    from shared import Float32Array, FloatArray

SIZES = [16, 32, 128, 256, 1024, 8192]
RATES_HZ = [8_000, 44_100, 96_000]


def noise(rng: np.random.Generator, *shape: int) -> Float32Array:
    """Return white noise."""
    return rng.standard_normal(shape).astype(np.float32)


def bands_of(n_fft: int) -> Bands:
    """Return some mel bands."""
    return mel_bands(n_fft, 18, sample_rate_hz=44_100, low_hz=40.0, high_hz=16_000.0)


def levels_of(
    signal: Float32Array, n_fft: int, n_frames: int, *, start: int = 0, hop: int = 0
) -> tuple[Float32Array, Float32Array]:
    """Return band levels in dB over a floor of 1e-4, and amplitudes."""
    bands = bands_of(n_fft)
    window = np.hanning(n_fft + 1)[:-1].astype(np.float32)
    levels = np.empty((n_frames, len(bands)), np.float32)
    amplitudes = np.empty_like(levels)
    spectra.band_levels(
        signal,
        (start, hop or n_fft // 2),
        window,
        spectra.transform_tables(n_fft),
        (bands.weights, bands.starts, bands.ends),
        1e-4,
        levels,
        amplitudes,
    )
    return levels, amplitudes


@pytest.mark.parametrize("n_fft", SIZES)
def test_transforms_are_numpys(rng: np.random.Generator, n_fft: int) -> None:
    """`numpy.fft.fft` of every lane, for powers of two and of four; and `numpy.fft.rfft` squared.

    Even and odd samples are the real and imaginary parts of one complex transform.
    """
    samples = noise(rng, n_fft, LANES)
    factors, turns = spectra.transform_tables(n_fft)
    other, n_bins = np.empty(samples.size, np.float32), n_fft // 2 + 1
    spectrum = spectra.transform(n_fft // 2, factors, samples.ravel().copy(), other)
    pairs = samples.reshape(n_fft // 2, 2, LANES).astype(np.float64)
    expected = np.fft.fft(pairs[:, 0] + 1j * pairs[:, 1], axis=0)
    found = spectrum.reshape(pairs.shape)
    # 1e-6 of the largest in each part: single precision through at most twelve halvings.
    np.testing.assert_allclose(
        found[:, 0] + 1j * found[:, 1], expected, rtol=0.0, atol=1.5e-6 * np.abs(expected).max()
    )
    powers = np.zeros((n_bins + 3) * LANES, np.float32)
    spectra.bin_powers(n_fft // 2, n_bins, turns, spectrum, powers)
    expected = np.abs(np.fft.rfft(samples.astype(np.float64), axis=0)) ** 2
    # As for the transform, twice, as powers are squares.
    np.testing.assert_allclose(
        powers.reshape(-1, LANES)[:n_bins], expected, rtol=1e-5, atol=2e-6 * expected.max()
    )


@pytest.mark.parametrize("n_frames", [1, 16, 40])
@pytest.mark.parametrize("n_fft", [128, 1024])
def test_band_levels_are_those_of_frames_one_by_one(
    rng: np.random.Generator, n_fft: int, n_frames: int
) -> None:
    """Frames of librosa, window, `numpy.fft.rfft`, mel matrix: 10 lg of power, and its root."""
    hop, start = n_fft // 2, 37
    signal = noise(rng, start + (n_frames - 1) * hop + n_fft)
    levels, amplitudes = levels_of(signal, n_fft, n_frames, start=start)
    frames = librosa.util.frame(signal[start:], frame_length=n_fft, hop_length=hop).T
    window = np.hanning(n_fft + 1)[:-1]
    powers = np.abs(np.fft.rfft(frames.astype(np.float64) * window, axis=1)) ** 2
    matrix = librosa.filters.mel(sr=44_100, n_fft=n_fft, n_mels=18, fmin=40.0, fmax=16_000.0)
    sums = powers @ matrix[matrix.any(axis=1)].T + 1e-4
    # 2e-4 dB: single precision of levels of some tens of dB.
    np.testing.assert_allclose(levels, 10.0 * np.log10(sums), rtol=0.0, atol=2e-4)
    np.testing.assert_allclose(amplitudes, np.sqrt(sums), rtol=2e-5)


def test_a_frame_is_the_same_in_every_lane(rng: np.random.Generator) -> None:
    """To the bit, whichever frames lie beside it."""
    frame, n_fft = noise(rng, 256), 256
    signal = np.concatenate([np.tile(frame, 21), noise(rng, 256), frame])
    levels, _ = levels_of(signal, n_fft, 23, hop=n_fft)
    for row in (*range(21), 22):
        np.testing.assert_array_equal(levels[row], levels[0])
    assert np.any(levels[21] != levels[0])


def log2_of(x: Float32Array) -> FloatArray:
    """Return the compiled logarithm."""
    out = np.empty_like(x)
    spectra.log2_row(x.view(np.int32), out)
    return out.astype(np.float64)


@settings(max_examples=30)
@given(st.lists(st.floats(2.0**-100, 2.0**100, width=32), min_size=1, max_size=40))
def test_log2_is_exact_to_a_millionth(values: list[float]) -> None:
    """Within 1e-6 of numpy's logarithm in double precision, over 200 octaves."""
    x = np.array(values, np.float32)
    expected = np.log2(x.astype(np.float64))
    # Half a step of single precision on top, 3.8e-6 at 100 octaves: the result is rounded to it.
    allowed = 1e-6 + 0.5 * np.spacing(np.abs(expected).astype(np.float32))
    assert np.all(np.abs(log2_of(x) - expected) <= allowed)


def test_log2_is_exact_at_its_seams_and_whole_for_powers_of_two() -> None:
    """The series' seams at 1 and at the root of 2 are no exception; nothing else is rounded."""
    x = np.linspace(0.5, 2.0, 100_001).astype(np.float32)
    assert np.max(np.abs(log2_of(x) - np.log2(x.astype(np.float64)))) <= 1e-6
    exponents = np.arange(-126, 128, dtype=np.float32)
    np.testing.assert_array_equal(log2_of(np.exp2(exponents)), exponents)


def test_the_logarithm_does_the_same_as_plain_python(rng: np.random.Generator) -> None:
    """`kernel.py_func` gives what the compiled code gives; the others use vectors directly."""
    bits = np.exp2(noise(rng, 50)).view(np.int32)
    compiled, plain = np.empty(50, np.float32), np.empty(50, np.float32)
    spectra.log2_row(bits, compiled)
    spectra.log2_row.py_func(bits, plain)
    np.testing.assert_allclose(compiled, plain, rtol=1e-6, atol=1e-6)


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
@pytest.mark.parametrize(("n_fft", "n_mels"), [(4096, 100), (128, 18)])
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
