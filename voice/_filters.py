"""What follows the oscillators: noise, high-pass, drive, low-pass and amplifier, in place.

One note of 16 candidates, side by side as SIMD lanes, with the controls of `voice._controls`;
see `voice._oscillators` for how lanes and controls work.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from shared.types import Float32Array

LANES = 16

# Rows of the settings and controls, as in `voice._controls` (a test compares them).
TUNING, DAMPING, FOURTH, DRIVE, HIGHPASS_TAN = 6, 8, 10, 11, 12
CUTOFF, AMP, NOISE_AMP = 6, 7, 8

F = np.float32
ZERO, ONE, TWO = F(0.0), F(1.0), F(2.0)
TINY = F(1e-18)


@njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def soft_clip(x: np.float32) -> np.float32:
    """Saturate: tanh's continued fraction x(27 + x^2)/(27 + 9x^2), which meets 1 at x = 3."""
    x = min(max(x, F(-3.0)), F(3.0))
    s = x * x
    return x * (F(27.0) + s) / (F(27.0) + F(9.0) * s)


@njit(nogil=True, cache=True, error_model="numpy")
def add_noise(
    mix: Float32Array, n: int, noise: Float32Array, now: Float32Array, slope: Float32Array
) -> None:
    """Add the common noise at each lane's ramped level."""
    for j in range(n):
        for lane in range(mix.shape[1]):
            mix[j, lane] += noise[j] * (now[lane] + F(j) * slope[lane])


@njit(nogil=True, cache=True, error_model="numpy")
def run_highpass(mix: Float32Array, n: int, g: Float32Array, state: Float32Array) -> None:
    """One-pole high-pass (zero-delay feedback), 6 dB/octave; g = 0 passes a lane unchanged."""
    for j in range(n):
        for lane in range(mix.shape[1]):
            x = mix[j, lane]
            y = (x - state[lane]) / (ONE + g[lane])
            state[lane] += TWO * g[lane] * y
            mix[j, lane] = y if g[lane] > ZERO else x


@njit(nogil=True, cache=True, error_model="numpy")
def drive(mix: Float32Array, n: int, excess: Float32Array) -> None:
    """Saturate before the filter; `excess` is gain - 1, and 0 leaves a lane as it is."""
    for j in range(n):
        for lane in range(mix.shape[1]):
            k = excess[lane]
            x = mix[j, lane]
            mix[j, lane] = soft_clip(k * x) / k if k > ZERO else x


@njit(nogil=True, cache=True, error_model="numpy")
def run_section(
    mix: Float32Array,
    n: int,
    g: Float32Array,
    slope: Float32Array,
    tuning: Float32Array,
    damping: Float32Array,
    is_on: Float32Array,
    state: Float32Array,
) -> None:
    """Second-order low-pass section (zero-delay feedback, trapezoidal) with the cutoff ramped."""
    for j in range(n):
        for lane in range(mix.shape[1]):
            w = (g[lane] + F(j) * slope[lane]) * tuning[lane]
            x, s1, s2 = mix[j, lane], state[0, lane], state[1, lane]
            v1 = (s1 + w * (x - s2)) / (ONE + w * (w + damping[lane]))
            v2 = s2 + w * v1
            state[0, lane] = TWO * v1 - s1
            state[1, lane] = TWO * v2 - s2
            mix[j, lane] = v2 if is_on[lane] > ZERO else x


@njit(nogil=True, cache=True, error_model="numpy")
def amplify(mix: Float32Array, n: int, now: Float32Array, slope: Float32Array) -> None:
    """Apply the ramped amplifier level."""
    for j in range(n):
        for lane in range(mix.shape[1]):
            mix[j, lane] *= now[lane] + F(j) * slope[lane]


@njit(nogil=True, cache=True, error_model="numpy")
def flush_tiny(state: Float32Array) -> None:
    """Set values far below hearing to zero, so that tails never run on denormal numbers."""
    for row in range(state.shape[0]):
        for lane in range(LANES):
            x = state[row, lane]
            state[row, lane] = x if abs(x) > TINY else ZERO


@njit(nogil=True, cache=True, error_model="numpy")
def is_any(row: Float32Array) -> bool:
    """Whether any lane differs from zero."""
    found = False
    for lane in range(LANES):
        found = found or row[lane] != ZERO
    return found


@njit(nogil=True, cache=True, error_model="numpy")
def set_ramp(now: Float32Array, following: Float32Array, block: int, slope: Float32Array) -> None:
    """Slope per sample from one control value to the next."""
    for lane in range(LANES):
        slope[lane] = (following[lane] - now[lane]) / F(block)


@njit(nogil=True, cache=True, error_model="numpy")
def run_filters(
    settings: Float32Array,
    controls: Float32Array,
    block: int,
    noise: Float32Array,
    mix: Float32Array,
) -> None:
    """Add noise to the oscillators of one note; filter and amplify them.

    Parameters
    ----------
    settings : float32, shape=(N_SETTINGS, LANES)
        Constants of the note, from `voice._controls.render_controls`.
    controls : float32, shape=(n_blocks + 1, N_CONTROLS, LANES)
        Control values at the edges of the blocks, from the same.
    block : int
        Samples in a block.
    noise : float32, shape=(n_samples,)
        Noise, the same for all lanes.
    mix : float32, shape=(n_samples, LANES)
        The oscillators; the finished note after the call.
    """
    slope, state, always = np.empty(LANES, F), np.zeros((5, LANES), F), np.full(LANES, ONE)
    has_noise, has_fourth = is_any(controls[0, NOISE_AMP]), is_any(settings[FOURTH])
    has_drive, has_highpass = is_any(settings[DRIVE]), is_any(settings[HIGHPASS_TAN])
    n_samples = mix.shape[0]
    for i in range(controls.shape[0] - 1):
        first = i * block
        n = min(block, n_samples - first)
        now, following = controls[i], controls[i + 1]
        part = mix[first : first + n]
        if has_noise:
            set_ramp(now[NOISE_AMP], following[NOISE_AMP], block, slope)
            add_noise(part, n, noise[first : first + n], now[NOISE_AMP], slope)
        if has_highpass:
            run_highpass(part, n, settings[HIGHPASS_TAN], state[0])
        if has_drive:
            drive(part, n, settings[DRIVE])
        set_ramp(now[CUTOFF], following[CUTOFF], block, slope)
        run_section(
            part, n, now[CUTOFF], slope, settings[TUNING], settings[DAMPING], always, state[1:3]
        )
        if has_fourth:
            run_section(
                part,
                n,
                now[CUTOFF],
                slope,
                settings[TUNING + 1],
                settings[DAMPING + 1],
                settings[FOURTH],
                state[3:5],
            )
        set_ramp(now[AMP], following[AMP], block, slope)
        amplify(part, n, now[AMP], slope)
        flush_tiny(state)
