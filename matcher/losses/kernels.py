"""Compiled inner loops of the losses: placing, levels over time, differences, movement.

Numbers and arrays only, no checks; `matcher.losses.score` prepares and calls. All sums run in a
fixed order, so that a candidate scores the same to the bit in any batch and on any thread. Sums
over many bins keep four partial sums, which breaks the chain of dependent additions.
"""

import numpy as np
from numba import njit

from shared import Float32Array, FloatArray

F = np.float32
ZERO, ONE, HALF = F(0.0), F(1.0), F(0.5)
TILE = 16


@njit(nogil=True, cache=True, error_model="numpy")
def by_candidate(group: Float32Array, lead: int, out: Float32Array) -> None:
    """Turn (n_samples, n_lanes) into rows of `out`, behind `lead` zeros that are there."""
    n_samples, n_lanes = group.shape
    for first in range(0, n_samples, TILE):
        last = min(first + TILE, n_samples)
        for lane in range(n_lanes):
            for i in range(first, last):
                out[lane, lead + i] = group[i, lane]


@njit(nogil=True, cache=True, error_model="numpy")
def short_powers(signal: Float32Array, hop: int, powers: Float32Array) -> float:
    """Sum the squares of each `hop` samples; return the greatest sum of four neighbours."""
    for i in range(powers.shape[0]):
        a, b = ZERO, ZERO
        first = i * hop
        for j in range(0, hop - 1, 2):
            a += signal[first + j] * signal[first + j]
            b += signal[first + j + 1] * signal[first + j + 1]
        if hop % 2:
            a += signal[first + hop - 1] * signal[first + hop - 1]
        powers[i] = a + b
    peak = ZERO
    for i in range(powers.shape[0] - 3):
        peak = max(peak, powers[i] + powers[i + 1] + powers[i + 2] + powers[i + 3])
    return float(peak)


@njit(nogil=True, cache=True, error_model="numpy")
def onset_hop(powers: Float32Array, threshold: float) -> int:
    """Index of the first four neighbours whose sum exceeds `threshold`; 0 if there are none."""
    for i in range(powers.shape[0] - 3):
        if powers[i] + powers[i + 1] + powers[i + 2] + powers[i + 3] > threshold:
            return i
    return 0


@njit(nogil=True, cache=True, error_model="numpy")
def onset_sample(signal: Float32Array, hop: int, coarse: int, threshold: float) -> int:
    """First sample from which on `4 * hop` samples have a sum of squares above `threshold`.

    `coarse` is the first one on the grid of `hop`; the sample lies less than a hop before it.
    """
    start = max((coarse - 1) * hop, 0)
    total = 0.0
    for j in range(start, start + 4 * hop):
        total += signal[j] * signal[j]
    for n in range(start, coarse * hop):
        if total > threshold:
            return n
        entering, leaving = float(signal[n + 4 * hop]), float(signal[n])
        total += entering * entering - leaving * leaving
    return coarse * hop


@njit(nogil=True, cache=True, error_model="numpy")
def energy(signal: Float32Array) -> float:
    """Sum of squares."""
    a, b, c, d = 0.0, 0.0, 0.0, 0.0
    n = signal.shape[0] - signal.shape[0] % 4
    for i in range(0, n, 4):
        a += signal[i] * signal[i]
        b += signal[i + 1] * signal[i + 1]
        c += signal[i + 2] * signal[i + 2]
        d += signal[i + 3] * signal[i + 3]
    for i in range(n, signal.shape[0]):
        a += signal[i] * signal[i]
    return (a + b) + (c + d)


@njit(nogil=True, cache=True, error_model="numpy")
def mean_difference(a: Float32Array, b: Float32Array) -> float:
    """Mean absolute difference of two arrays of one shape (n_frames, n_bands)."""
    total = 0.0
    for i in range(a.shape[0]):
        p, q = ZERO, ZERO
        for k in range(0, a.shape[1] - 1, 2):
            p += abs(a[i, k] - b[i, k])
            q += abs(a[i, k + 1] - b[i, k + 1])
        if a.shape[1] % 2:
            p += abs(a[i, a.shape[1] - 1] - b[i, a.shape[1] - 1])
        total += float(p + q)
    return total / a.size


@njit(nogil=True, cache=True, error_model="numpy")
def convergence(a: Float32Array, b: Float32Array) -> float:
    """Root of the squared difference from `b` over the square of `b` (Frobenius norms)."""
    total, norm = 0.0, 0.0
    for i in range(a.shape[0]):
        p, q = ZERO, ZERO
        for k in range(a.shape[1]):
            x = a[i, k] - b[i, k]
            p += x * x
            q += b[i, k] * b[i, k]
        total += float(p)
        norm += float(q)
    return float(np.sqrt(total / norm))


@njit(nogil=True, cache=True, error_model="numpy")
def flux(levels: Float32Array, out: Float32Array) -> None:
    """Onset strength: mean rise of the band levels from a frame to the next, in dB."""
    for i in range(out.shape[0]):
        total = ZERO
        for k in range(levels.shape[1]):
            total += max(levels[i + 1, k] - levels[i, k], ZERO)
        out[i] = total / F(levels.shape[1])


@njit(nogil=True, cache=True, error_model="numpy")
def envelope_levels(
    powers: Float32Array, start: int, hop: int, gain: float, floor: float, levels: Float32Array
) -> None:
    """Level over time in dB: `hop` short powers a step, two steps a window, floor added."""
    g = F(gain * gain)
    for i in range(levels.shape[0]):
        total = F(floor)
        first = start + i * hop
        for j in range(first, first + 2 * hop):
            total += powers[j] * g
        levels[i] = F(10.0) * np.log10(total)


@njit(nogil=True, cache=True, error_model="numpy")
def loudest(powers: Float32Array, start: int, span: int) -> float:
    """Greatest sum of four neighbours within a span of short powers."""
    peak = ZERO
    for i in range(start, start + span):
        peak = max(peak, powers[i] + powers[i + 1] + powers[i + 2] + powers[i + 3])
    return float(peak)


@njit(nogil=True, cache=True, error_model="numpy")
def attack_hops(powers: Float32Array, start: int, span: int, peak: float) -> float:
    """Short powers between the first 2 % and the first 80 % of the peak amplitude.

    The log attack time of ISO/IEC 15938-4 (thresholds from memory), with the crossing of the
    upper threshold interpolated in a straight line, so that it moves smoothly.
    """
    low, high = F(0.02) * F(0.02) * F(peak), F(0.64) * F(peak)
    begin = -1
    before = ZERO
    for i in range(start, start + span):
        x = powers[i] + powers[i + 1] + powers[i + 2] + powers[i + 3]
        if begin < 0 and x > low:
            begin = i
        if x > high:
            share = (high - before) / (x - before) if x > before else ONE
            return float(max(F(i - begin) - ONE + share, ZERO))
        before = x
    return float(span)


@njit(nogil=True, cache=True, error_model="numpy")
def heterodyne(
    signal: Float32Array, cosines: Float32Array, sines: Float32Array, step: int, sums: FloatArray
) -> None:
    """Sum the signal times each carrier over steps of `step` samples.

    `cosines`, `sines` have shape (n_partials, n_steps * step); `sums` (2, n_partials, n_steps)
    receives real and imaginary parts.
    """
    for k in range(cosines.shape[0]):
        for i in range(sums.shape[2]):
            a, b, c, d = ZERO, ZERO, ZERO, ZERO
            e, f, g, h = ZERO, ZERO, ZERO, ZERO
            first = i * step
            whole = first + step - step % 4
            for j in range(first, whole, 4):
                a += signal[j] * cosines[k, j]
                b += signal[j] * sines[k, j]
                c += signal[j + 1] * cosines[k, j + 1]
                d += signal[j + 1] * sines[k, j + 1]
                e += signal[j + 2] * cosines[k, j + 2]
                f += signal[j + 2] * sines[k, j + 2]
                g += signal[j + 3] * cosines[k, j + 3]
                h += signal[j + 3] * sines[k, j + 3]
            for j in range(whole, first + step):
                a += signal[j] * cosines[k, j]
                b += signal[j] * sines[k, j]
            sums[0, k, i] = (a + c) + (e + g)
            sums[1, k, i] = (b + d) + (f + h)


@njit(nogil=True, cache=True, error_model="numpy")
def movement_depths(
    cosines: Float32Array, sines: Float32Array, tracks: Float32Array, depths: Float32Array
) -> None:
    """Magnitudes of a Fourier transform of several tracks at once.

    `cosines`, `sines` have shape (n_rates, n_frames), `tracks` (n_frames, n_tracks), `depths`
    (n_rates, n_tracks). A matrix product of a library could sum in another order on another day.
    """
    n_tracks = tracks.shape[1]
    real, imaginary = np.empty(n_tracks, F), np.empty(n_tracks, F)
    for rate in range(cosines.shape[0]):
        real[:] = ZERO
        imaginary[:] = ZERO
        for i in range(tracks.shape[0]):
            c, s = cosines[rate, i], sines[rate, i]
            for k in range(n_tracks):
                real[k] += c * tracks[i, k]
                imaginary[k] += s * tracks[i, k]
        for k in range(n_tracks):
            depths[rate, k] = np.sqrt(real[k] * real[k] + imaginary[k] * imaginary[k])
