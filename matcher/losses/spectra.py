"""Compiled mel band levels of all frames of a sound, 16 frames side by side as lanes.

A transform of n real samples is one of n/2 complex ones (even samples real, odd ones imaginary),
done in passes of radix 4 that leave the result in order [1]_. Three times as fast as the same
transforms frame by frame. `matcher.losses.windows` prepares the tables and calls.

References
----------
.. [1] T. G. Stockham, "High-speed Convolution and Correlation", AFIPS 1966 (self-sorting
   transforms; from memory).
"""

import numpy as np
from numba import njit

from shared import Float32Array
from shared.lanes import LANES, add_weighted, butterfly_4, load_frames, store_powers
from shared.types import Int32Array, IntArray

F = np.float32
ZERO, ONE, HALF = F(0.0), F(1.0), F(0.5)
PAIR = 2 * LANES
MANTISSA = np.int32(0x7FFFFF)
SQRT_2 = F(1.4142135623730951)
LOG_SCALE = F(2.0 / np.log(2.0))
DB_PER_OCTAVE_OF_POWER = F(3.010299956639812)


def transform_tables(n_fft: int) -> tuple[Float32Array, Float32Array]:
    """Make the factors of a transform of `n_fft` real samples, a power of two from 8 on.

    Returns cosines and sines of one, two and three times each angle, pass after pass, shape
    (n_factors, 6); and those for each pair of bins of the real transform, (n_fft // 4 + 1, 2).
    """
    rows, length = [], n_fft // 2
    while length >= 4:
        angles = -2.0 * np.pi * np.arange(length // 4) / length
        parts = [f(k * angles) for k in (1, 2, 3) for f in (np.cos, np.sin)]
        rows.append(np.stack(parts, axis=1))
        length //= 4
    angles = -2.0 * np.pi * np.arange(n_fft // 4 + 1) / n_fft
    turns = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    return np.concatenate(rows).astype(F), turns.astype(F)


@njit(nogil=True, cache=True, error_model="numpy")
def log2_row(bits: Int32Array, out: Float32Array) -> None:
    """log2 of positive float32 values within 1e-6; `bits` are those values seen as int32."""
    for i in range(out.shape[0]):
        exponent = (bits[i] >> np.int32(23)) - np.int32(127)
        mantissa = ONE + F(bits[i] & MANTISSA) * F(2.0**-23)
        high = mantissa > SQRT_2
        mantissa = mantissa * HALF if high else mantissa
        whole = F(exponent) + (ONE if high else ZERO)
        s = (mantissa - ONE) / (mantissa + ONE)
        q = s * s
        # 2 artanh(s) / ln 2; the first term left out is below 5e-8.
        series = ONE + q * (F(1 / 3) + q * (F(1 / 5) + q * F(1 / 7)))
        out[i] = whole + LOG_SCALE * s * series


@njit(nogil=True, cache=True, error_model="numpy")
def last_pass(n: int, source: Float32Array, out: Float32Array) -> None:
    """Radix 2, for lengths that are no power of four: `n` numbers are two halves."""
    for i in range(n):
        a, b = source[i], source[n + i]
        out[i] = a + b
        out[n + i] = a - b


@njit(nogil=True, cache=True, error_model="numpy")
def transform(
    length: int, factors: Float32Array, frames: Float32Array, other: Float32Array
) -> Float32Array:
    """Transform `length` complex numbers of each lane; both arrays are overwritten.

    `frames` holds them, a row of real and a row of imaginary parts each; the result is in
    the array that is returned.
    """
    n, stride, first = length, 1, 0
    source, out = frames, other
    while n >= 4:
        quarter = n // 4
        for p in range(quarter):
            f = factors[first + p]
            turns = (f[0], f[1], f[2], f[3], f[4], f[5])
            for q in range(stride):
                butterfly_4(
                    source,
                    ((q + stride * p) * PAIR, stride * quarter * PAIR),
                    out,
                    ((q + stride * 4 * p) * PAIR, stride * PAIR),
                    turns,
                )
        source, out = out, source
        first += quarter
        n //= 4
        stride *= 4
    if n == 2:
        last_pass(stride * PAIR, source, out)
        source = out
    return source


@njit(nogil=True, cache=True, error_model="numpy")
def bin_powers(
    length: int, n_bins: int, turns: Float32Array, spectrum: Float32Array, powers: Float32Array
) -> None:
    """Squared magnitudes of the first `n_bins` bins (at least), a row of lanes for each bin."""
    for lane in range(LANES):
        a, b = spectrum[lane], spectrum[LANES + lane]
        powers[lane] = (a + b) * (a + b)
        powers[length * LANES + lane] = (a - b) * (a - b)
    for k in range(1, min(length // 2, n_bins - 1) + 1):
        store_powers(
            spectrum,
            (k * PAIR, (length - k) * PAIR),
            (turns[k, 0], turns[k, 1]),
            powers,
            (k * LANES, (length - k) * LANES),
        )


@njit(nogil=True, cache=True, error_model="numpy")
def band_sums(
    powers: Float32Array,
    weights: Float32Array,
    starts: IntArray,
    ends: IntArray,
    floor: float,
    sums: Float32Array,
) -> None:
    """Weighted sums of the bins of each band, plus the floor: a row of lanes for each band.

    Each band's weights are filled up with zeros to a multiple of four, and `powers` has three
    rows more than there are bins.
    """
    sums[:] = F(floor)
    first = 0
    for band in range(starts.shape[0]):
        for k in range(starts[band], ends[band], 4):
            four = (weights[first], weights[first + 1], weights[first + 2], weights[first + 3])
            add_weighted(powers, k * LANES, four, sums, band * LANES)
            first += 4


@njit(nogil=True, cache=True, error_model="numpy")
def band_levels(
    signal: Float32Array,
    place: tuple[int, int],
    window: Float32Array,
    tables: tuple[Float32Array, Float32Array],
    bands: tuple[Float32Array, IntArray, IntArray],
    floor: float,
    levels: Float32Array,
    amplitudes: Float32Array,
) -> None:
    """Band levels in dB and amplitudes of every frame of a sound, shape (n_frames, n_bands).

    `place` is where the first frame begins, and samples from one frame to the next; `window` has
    a power of two of samples, 16 at least; `tables` are those of `transform_tables`, `bands` the
    arrays of `matcher.losses.windows.Bands`; `floor` is a power that every band gets on top.
    """
    n_frames, n_bands = levels.shape
    n_fft = window.shape[0]
    length = n_fft // 2
    weights, starts, ends = bands
    frames, other = np.empty(n_fft * LANES, F), np.empty(n_fft * LANES, F)
    powers = np.zeros((length + 4) * LANES, F)
    sums, row = np.empty(n_bands * LANES, F), np.empty(n_bands, F)
    bits = row.view(np.int32)
    for i in range(0, n_frames, LANES):
        at = (place[0], place[1], i, n_frames - 1)
        for j in range(0, n_fft, LANES):
            load_frames(signal, at, window, j, frames)
        spectrum = transform(length, tables[0], frames, other)
        bin_powers(length, ends[n_bands - 1], tables[1], spectrum, powers)
        band_sums(powers, weights, starts, ends, floor, sums)
        for lane in range(min(LANES, n_frames - i)):
            for band in range(n_bands):
                row[band] = sums[band * LANES + lane]
            log2_row(bits, levels[i + lane])
            for band in range(n_bands):
                levels[i + lane, band] *= DB_PER_OCTAVE_OF_POWER
                amplitudes[i + lane, band] = np.sqrt(row[band])
