"""Compiled model of two oscillators' partials: paths over time, and what they leave of a note.

Paths are phase and pulse width over time, with their slopes. The definitions of vibrato and
pulse-width modulation are those of the voice; integrals are sums of trapezoids. Numbers
and arrays only; all kernels are in this file, since numba's cache doesn't notice a change in
another one.

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

    ComplexArray = npt.NDArray[np.complex128]
    IntArray = npt.NDArray[np.int64]

# Entries of a vector: tuning and detune in cents, phase of oscillator 2 in cycles; levels of
# sawtooth and pulse of each oscillator; then each oscillator's movement.
TUNE, DETUNE, PHASE, LEVELS, MOVES = 0, 1, 2, 3, 7
# Offsets in an oscillator's movement; rates are log2 of Hz, phases in cycles; a bend falls from
# its depth in cents with a time constant, log2 of seconds.
WIDTH, PWM_RATE, PWM_DEPTH, PWM_PHASE = 0, 1, 2, 3
RATE, DEPTH, VIBRATO_PHASE, DELAY, RATE_ENV, BEND, BEND_DECAY = 4, 5, 6, 7, 8, 9, 10
N_MOVES = 11
N = MOVES + 2 * N_MOVES

TWO_PI = 2.0 * np.pi
LN_2 = 0.6931471805599453
OCTAVES_PER_CENT = 1.0 / 1200.0
# As in the voice: when the rate has settled, and how narrow a pulse may become.
RATE_SETTLES_S = 0.5
NARROWEST = 0.02
SHORTEST_DELAY_S = 1e-3

# Rows of an oscillator's path: phase (cycles), pulse width; how far both drift in a quarter of a
# window; then slopes of the phase by a cent of pitch, rate, depth, phase, delay, rate envelope,
# bend, its decay, and of the width by itself, rate, depth, phase.
THETA, TURN, THETA_DRIFT, TURN_DRIFT, THETA_SLOPES, TURN_SLOPES = 0, 1, 2, 3, 4, 12
N_PLAIN, N_PATH, N_THETA = 4, 16, 8
# What a partial depends on directly: four levels, two widths, two phases.
N_PARTS, WIDTHS, PHASES = 8, 4, 6


@njit(nogil=True, cache=True, error_model="numpy")
def set_phase(
    moves: FloatArray, cents: float, phase: float, timing: FloatArray, path: FloatArray
) -> None:
    """Set the phase of one oscillator at each frame, with its slopes if `path` has rows for them.

    Integrals are sums of trapezoids; `timing` is as for `set_paths`.
    """
    pitch_hz, step_s, first = timing[0], timing[1], int(timing[2])
    n_rows, n_frames = path.shape
    has_slopes = n_rows > N_PLAIN
    rate, depth, delay = 2.0 ** moves[RATE], moves[DEPTH], max(moves[DELAY], SHORTEST_DELAY_S)
    half_turn = 0.5 * pitch_hz * step_s
    per_cent = half_turn * LN_2 * OCTAVES_PER_CENT
    psi, psi_rate, psi_env = moves[VIBRATO_PHASE], 0.0, 0.0
    sums, before, now = np.zeros(N_THETA), np.zeros(N_THETA), np.zeros(N_THETA)
    theta, ratio_before = phase, 0.0
    bend, decay_s = moves[BEND], 2.0 ** moves[BEND_DECAY]
    fallen, falling = 1.0, np.exp(-step_s / decay_s)
    settled, settling = np.exp(-0.5 * step_s / RATE_SETTLES_S), np.exp(-step_s / RATE_SETTLES_S)
    for j in range(first + n_frames):
        t = j * step_s
        fade = max(2.0 * t / delay - 1.0, 0.0) if t < delay else 1.0
        s = np.sin(TWO_PI * psi)
        ratio = np.exp((cents + depth * fade * s + bend * fallen) * (LN_2 * OCTAVES_PER_CENT))
        if j:
            theta += half_turn * (ratio_before + ratio - 2.0)
        ratio_before = ratio
        if has_slopes:
            swing = ratio * depth * fade * TWO_PI * np.cos(TWO_PI * psi)
            by_delay = -2.0 * t / (delay * delay) if 0.5 * delay < t < delay else 0.0
            now[0], now[1], now[2] = ratio, swing * psi_rate, ratio * fade * s
            now[3], now[4], now[5] = swing, ratio * depth * by_delay * s, swing * psi_env
            now[6], now[7] = ratio * fallen, ratio * bend * fallen * LN_2 * t / decay_s
            for i in range(N_THETA):
                sums[i] += per_cent * (before[i] + now[i]) if j else 0.0
            for i in range(N_THETA):
                before[i] = now[i]
        if j >= first:
            path[THETA, j - first] = theta
            path[THETA_DRIFT, j - first] = pitch_hz * (ratio - 1.0) * timing[3]
            if has_slopes:
                for i in range(N_THETA):
                    path[THETA_SLOPES + i, j - first] = sums[i]
        turn = step_s * rate
        if moves[RATE_ENV] != 0.0:
            turn *= np.exp(moves[RATE_ENV] * LN_2 * settled)
        psi += turn
        psi_rate += turn * LN_2
        psi_env += turn * LN_2 * settled
        settled *= settling
        fallen *= falling


@njit(nogil=True, cache=True, error_model="numpy")
def set_width(moves: FloatArray, timing: FloatArray, path: FloatArray) -> None:
    """Set the pulse width of one oscillator at each frame, with its slopes if there are rows."""
    n_rows, n_frames = path.shape
    rate, depth = 2.0 ** moves[PWM_RATE], moves[PWM_DEPTH]
    for i in range(n_frames):
        t = (timing[2] + i) * timing[1]
        y = TWO_PI * (moves[PWM_PHASE] + rate * t)
        s = np.sin(y)
        width = moves[WIDTH] + depth * s
        held = min(max(width, NARROWEST), 1.0 - NARROWEST)
        is_free = 1.0 if held == width else 0.0
        swing = is_free * depth * TWO_PI * np.cos(y)
        path[TURN, i], path[TURN_DRIFT, i] = held, swing * rate * timing[3]
        if n_rows > N_PLAIN:
            path[TURN_SLOPES, i] = is_free
            path[TURN_SLOPES + 1, i] = swing * rate * t * LN_2
            path[TURN_SLOPES + 2, i] = is_free * s
            path[TURN_SLOPES + 3, i] = swing


@njit(nogil=True, cache=True, error_model="numpy")
def is_equal(a: FloatArray, b: FloatArray, first: int, last: int) -> bool:
    """Whether two vectors agree in some entries."""
    agree = True
    for p in range(first, last):
        agree = agree and a[p] == b[p]
    return agree


@njit(nogil=True, cache=True, error_model="numpy")
def copy_rows(source: FloatArray, path: FloatArray, first: int, last: int) -> None:
    """Copy rows; an assignment of arrays compiles for seconds, as it words its errors."""
    for row in range(first, last):
        for i in range(path.shape[1]):
            path[row, i] = source[row, i]


@njit(nogil=True, cache=True, error_model="numpy")
def set_paths(vectors: FloatArray, timing: FloatArray, paths: FloatArray) -> None:
    """Set the paths of both oscillators for each vector.

    Neighbours that share an oscillator's pitch or pulse width share the work.
    """
    for s in range(len(vectors)):
        x, before = vectors[s], vectors[max(s - 1, 0)]
        for o in range(2):
            at = MOVES + o * N_MOVES
            moves, path = x[at : at + N_MOVES], paths[s, o]
            is_known = s > 0 and is_equal(x, before, TUNE, PHASE + 1 if o else TUNE + 1)
            if is_known and is_equal(x, before, at + RATE, at + N_MOVES):
                copy_rows(paths[s - 1, o], path, THETA, THETA + 1)
                copy_rows(paths[s - 1, o], path, THETA_DRIFT, THETA_DRIFT + 1)
                copy_rows(paths[s - 1, o], path, THETA_SLOPES, min(TURN_SLOPES, len(path)))
            else:
                set_phase(moves, x[TUNE] + o * x[DETUNE], o * x[PHASE], timing, path)
            if s > 0 and is_equal(x, before, at + WIDTH, at + RATE):
                copy_rows(paths[s - 1, o], path, TURN, TURN + 1)
                copy_rows(paths[s - 1, o], path, TURN_DRIFT, TURN_DRIFT + 1)
                copy_rows(paths[s - 1, o], path, TURN_SLOPES, len(path))
            else:
                set_width(moves, timing, path)


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
    """Set residuals, and slopes if `rows` has columns for them; return the sum of squares."""
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
                for q in range(1 + N):
                    own[1 + sources[p], q] += own[1 + p, q]
                for q in range(1 + N):
                    own[q, 1 + sources[p]] += own[q, 1 + p]
