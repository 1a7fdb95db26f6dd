"""Compiled paths of two oscillators: phase and pulse width over time, with their slopes.

The definitions of vibrato and pulse-width modulation are those of the voice; integrals are
sums of trapezoids. Numbers and arrays only; `matcher.partial_fit.walks` calls. Everything that a
kernel calls stands in its own file, since numba's cache doesn't notice a change in another one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from shared import FloatArray

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
            before[:] = now
        if j >= first:
            path[THETA, j - first] = theta
            path[THETA_DRIFT, j - first] = pitch_hz * (ratio - 1.0) * timing[3]
            if has_slopes:
                path[THETA_SLOPES:TURN_SLOPES, j - first] = sums
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
def set_paths(vectors: FloatArray, timing: FloatArray, paths: FloatArray) -> None:
    """Set the paths of both oscillators for each vector.

    Neighbours that share an oscillator's pitch or pulse width share the work.

    Parameters
    ----------
    vectors : shape=(n_vectors, N)
        Parameters.
    timing : shape=(4,)
        Nominal pitch in Hz, seconds from frame to frame, steps from note start to frame 0, a
        quarter of the window in seconds.
    paths : shape=(n_vectors, 2, N_PLAIN or N_PATH, n_frames)
        Overwritten; slopes only if there are rows for them.
    """
    for s in range(len(vectors)):
        x, before = vectors[s], vectors[max(s - 1, 0)]
        for o in range(2):
            at = MOVES + o * N_MOVES
            moves, path = x[at : at + N_MOVES], paths[s, o]
            is_known = s > 0 and is_equal(x, before, TUNE, PHASE + 1 if o else TUNE + 1)
            if is_known and is_equal(x, before, at + RATE, at + N_MOVES):
                path[THETA] = paths[s - 1, o, THETA]
                path[THETA_DRIFT] = paths[s - 1, o, THETA_DRIFT]
                path[THETA_SLOPES:TURN_SLOPES] = paths[s - 1, o, THETA_SLOPES:TURN_SLOPES]
            else:
                set_phase(moves, x[TUNE] + o * x[DETUNE], o * x[PHASE], timing, path)
            if s > 0 and is_equal(x, before, at + WIDTH, at + RATE):
                path[TURN] = paths[s - 1, o, TURN]
                path[TURN_DRIFT] = paths[s - 1, o, TURN_DRIFT]
                path[TURN_SLOPES:] = paths[s - 1, o, TURN_SLOPES:]
            else:
                set_width(moves, timing, path)
