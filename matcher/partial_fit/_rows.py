"""Compiled model of two oscillators' partials, and steps down to the partials of a note.

Partial k of an oscillator whose phase is theta cycles is c exp(2 pi i k theta), with c from the
Fourier series of its waveforms: a sawtooth, and a pulse, which is a sawtooth minus one that is
turned by the pulse width (as in the voice). Both oscillators' partials add up to M.
Each is seen through a Hann window of length T, in which a partial that is off by f has lost
(1 - cos(pi f T / 2)) / 2 of its level (exact at f = 0 and 2 / T).
A note's partial is Z = g M: what filter, body and amplifier do to one partial is a gain g, a slow
polynomial over time with complex coefficients, which is solved for (variable projection [1]_).
What is left of Z is the residual. It is linear in Z, so each sawtooth that is found brings its
share, and valleys are far wider than those of levels in dB.

Arrays of slopes have the residual in column 0 and then one column for each of `N` parameters.
All sums are in fixed order, so that no number of threads changes a bit.

References
----------
.. [1] G. Golub and V. Pereyra, "Separable nonlinear least squares: the variable projection method
   and its applications", Inverse Problems 19, 2003; the slopes leave out what they show to
   vanish with the residual (L. Kaufman, BIT 15, 1975).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

if TYPE_CHECKING:
    import numpy.typing as npt

    from shared import FloatArray

    BoolArray = npt.NDArray[np.bool_]
    ComplexArray = npt.NDArray[np.complex128]
    IntArray = npt.NDArray[np.int64]

# Entries of a vector and rows of a path, as in `matcher.partial_fit._paths` (a test compares).
TUNE, DETUNE, PHASE, LEVELS, MOVES = 0, 1, 2, 3, 7
WIDTH, RATE, N_MOVES = 0, 4, 11
N = MOVES + 2 * N_MOVES
THETA, TURN, THETA_DRIFT, TURN_DRIFT, THETA_SLOPES, TURN_SLOPES = 0, 1, 2, 3, 4, 12
N_PLAIN, N_PATH = 4, 16
# What a partial depends on directly: four levels, two widths, two phases.
N_PARTS, WIDTHS, PHASES = 8, 4, 6
TWO_PI = 2.0 * np.pi


@njit(nogil=True, cache=True, error_model="numpy")
def set_partials(
    x: FloatArray, paths: FloatArray, partials: ComplexArray, parts: ComplexArray
) -> None:
    """Set the sum of both oscillators' partials, and its slopes.

    Slopes leave out how much more or less a window smooths.

    `partials` has shape (n_frames, n_partials). `parts` (N_PARTS, n_frames, n_partials) receives
    the slopes by levels, widths and phases; with a first axis of 0 it is left alone.
    """
    n_frames, n_partials = partials.shape
    has_slopes = parts.shape[0] > 0
    partials[:, :] = 0.0
    for o in range(2):
        saw, pulse = x[LEVELS + 2 * o], x[LEVELS + 2 * o + 1]
        for i in range(n_frames):
            y, z = TWO_PI * paths[o, THETA, i], TWO_PI * paths[o, TURN, i]
            turn, width_turn = complex(np.cos(y), np.sin(y)), complex(np.cos(z), np.sin(z))
            # In the middle of a window that a partial drifts through, both ends cancel.
            a = TWO_PI * paths[o, THETA_DRIFT, i]
            b = a + TWO_PI * paths[o, TURN_DRIFT, i]
            drift, turned_drift = complex(np.cos(a), np.sin(a)), complex(np.cos(b), np.sin(b))
            e, g = complex(1.0, 0.0), complex(1.0, 0.0)
            c, d = complex(1.0, 0.0), complex(1.0, 0.0)
            for k in range(n_partials):
                e *= turn
                g *= width_turn
                c *= drift
                d *= turned_drift
                plain = 0.5 + 0.5 * c.real if (k + 1.0) * abs(a) < np.pi else 0.0
                turned = (0.5 + 0.5 * d.real if (k + 1.0) * abs(b) < np.pi else 0.0) * g
                # -2 / (pi k), see `voice.wavetables`; the gain takes the constant and the k.
                here = ((saw + pulse) * plain - pulse * turned) * e
                partials[i, k] += here
                if has_slopes:
                    number = TWO_PI * (k + 1.0)
                    parts[2 * o, i, k] = plain * e
                    parts[2 * o + 1, i, k] = (plain - turned) * e
                    parts[WIDTHS + o, i, k] = complex(0.0, -pulse * number) * turned * e
                    parts[PHASES + o, i, k] = complex(0.0, number) * here


@njit(nogil=True, cache=True, error_model="numpy")
def set_slopes(paths: FloatArray, i: int, d: ComplexArray, out: ComplexArray) -> None:
    """Chain slopes of one partial in frame `i` to those by the parameters: `out` (1 + N,)."""
    theta_2 = paths[1, THETA_SLOPES, i] * d[PHASES + 1]
    out[1 + TUNE] = paths[0, THETA_SLOPES, i] * d[PHASES] + theta_2
    out[1 + DETUNE] = theta_2
    out[1 + PHASE] = d[PHASES + 1]
    for q in range(4):
        out[1 + LEVELS + q] = d[q]
    for o in range(2):
        at = 1 + MOVES + o * N_MOVES
        for q in range(4):
            out[at + WIDTH + q] = paths[o, TURN_SLOPES + q, i] * d[WIDTHS + o]
        for q in range(N_MOVES - RATE):
            out[at + RATE + q] = paths[o, THETA_SLOPES + 1 + q, i] * d[PHASES + o]


@njit(nogil=True, cache=True, error_model="numpy")
def set_courses(model: ComplexArray, courses: FloatArray) -> None:
    """Set polynomials over time, orthonormal where the model's power is the weight.

    `courses` has shape (n_courses, n_frames). By Gram and Schmidt, from constants up.
    """
    n_frames = len(model)
    for q in range(len(courses)):
        for i in range(n_frames):
            middle = 2.0 * i / (n_frames - 1) - 1.0
            courses[q, i] = courses[q - 1, i] * middle if q else 1.0
        for r in range(q + 1):
            s = 0.0
            for i in range(n_frames):
                z = model[i]
                s += courses[q, i] * courses[r, i] * (z.real * z.real + z.imag * z.imag)
            if r < q:
                for i in range(n_frames):
                    courses[q, i] -= s * courses[r, i]
            else:
                s = 1.0 / np.sqrt(s + 1e-12)
                for i in range(n_frames):
                    courses[q, i] *= s


@njit(nogil=True, cache=True, error_model="numpy")
def set_rows(
    x: FloatArray, paths: FloatArray, target: ComplexArray, n_courses: int, rows: FloatArray
) -> float:
    """Set residuals, and slopes if `rows` has columns for them; return the sum of squares.

    Parameters
    ----------
    x : shape=(N,)
        Parameters.
    paths : shape=(2, N_PLAIN or N_PATH, n_frames)
        From `_paths.set_paths`.
    target : shape=(n_frames, n_partials), complex
        The note's partials.
    n_courses : int >= 1
        Coefficients of each partial's gain over time.
    rows : shape=(2 * n_frames, n_partials, 1 or 1 + N)
        Real and imaginary parts by turns; overwritten.
    """
    n_frames, n_partials = target.shape
    n_columns = rows.shape[2]
    has_slopes = n_columns > 1
    partials = np.empty((n_frames, n_partials), np.complex128)
    parts = np.empty((N_PARTS if has_slopes else 0, n_frames, n_partials), np.complex128)
    set_partials(x, paths, partials, parts)
    courses = np.empty((n_courses, n_frames))
    gains, d = np.empty(n_frames, np.complex128), np.empty(N_PARTS, np.complex128)
    slopes = np.zeros((n_frames, n_columns), np.complex128)
    shares = np.empty((n_courses, n_columns), np.complex128)
    cost = 0.0
    for k in range(n_partials):
        set_courses(partials[:, k], courses)
        gains[:] = 0.0
        for q in range(n_courses):
            share = complex(0.0, 0.0)
            for i in range(n_frames):
                share += courses[q, i] * np.conj(partials[i, k]) * target[i, k]
            for i in range(n_frames):
                gains[i] += share * courses[q, i]
        for i in range(n_frames):
            left = target[i, k] - gains[i] * partials[i, k]
            rows[2 * i, k, 0], rows[2 * i + 1, k, 0] = left.real, left.imag
            cost += left.real * left.real + left.imag * left.imag
        if not has_slopes:
            continue
        shares[:, :] = 0.0
        for i in range(n_frames):
            for q in range(N_PARTS):
                d[q] = gains[i] * parts[q, i, k]
            set_slopes(paths, i, d, slopes[i])
            for q in range(n_courses):
                y = courses[q, i] * np.conj(partials[i, k])
                for j in range(1, n_columns):
                    shares[q, j] += y * slopes[i, j]
        for i in range(n_frames):
            for q in range(n_courses):
                y = courses[q, i] * partials[i, k]
                for j in range(1, n_columns):
                    slopes[i, j] -= y * shares[q, j]
            for j in range(1, n_columns):
                rows[2 * i, k, j] = -slopes[i, j].real
                rows[2 * i + 1, k, j] = -slopes[i, j].imag
    return cost


@njit(nogil=True, cache=True, error_model="numpy")
def set_costs(
    vectors: FloatArray,
    paths: FloatArray,
    target: ComplexArray,
    n_courses: int,
    costs: FloatArray,
) -> None:
    """Set what each vector (n_vectors, N) leaves of the target; the rest as for `set_rows`."""
    rows = np.empty((2 * target.shape[0], target.shape[1], 1))
    for s in range(len(vectors)):
        costs[s] = set_rows(vectors[s], paths[s], target, n_courses, rows)


@njit(nogil=True, cache=True, error_model="numpy")
def set_products(
    vectors: FloatArray,
    paths: FloatArray,
    target: ComplexArray,
    n_courses: int,
    sources: IntArray,
    products: FloatArray,
) -> None:
    """Set products of residuals and slopes with each other, (n_vectors, 1 + N, 1 + N).

    `sources` (N,) says which entry each one follows: itself, unless it is tied; tied slopes
    join their sources'. The rest as for `set_rows`.
    """
    rows = np.empty((2 * target.shape[0], target.shape[1], 1 + N))
    products[:, :, :] = 0.0
    for s in range(len(vectors)):
        set_rows(vectors[s], paths[s], target, n_courses, rows)
        own = products[s]
        for i in range(rows.shape[0]):
            for k in range(rows.shape[1]):
                for p in range(1 + N):
                    y = rows[i, k, p]
                    for q in range(1 + N):
                        own[p, q] += y * rows[i, k, q]
        for p in range(N):
            if sources[p] != p:
                own[1 + sources[p], :] += own[1 + p, :]
                own[:, 1 + sources[p]] += own[:, 1 + p]
