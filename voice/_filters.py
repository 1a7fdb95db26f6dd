"""What follows the oscillators: noise, high-pass, drive, low-pass, body and amplifier, in place.

A share of the noise may go past the filters, from before the high-pass to the amplifier: breath
and bow are brighter than the tone.

One note of 16 candidates, side by side as SIMD lanes, with the controls of `voice._controls`;
see `voice._oscillators` for how lanes and controls work.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from shared.types import Float32Array, FloatArray

LANES = 16

# Rows of the settings and controls, as in `voice._settings` and `voice._controls` (a test compares
# them).
SECTIONS, DRIVE, HIGHPASS_TAN, SHARES, COLOURS, BELLS = 6, 12, 13, 16, 18, 21
CUTOFF, AMP, NOISE_AMP, DRY = 6, 7, 8, 9

# Ramps of a block: the value at its start, and below it the slope for each sample.
ITS_CUTOFF, ITS_DRY, ITS_AMP, ITS_NOISE = 0, 2, 4, 6

F = np.float32
ZERO, ONE, TWO = F(0.0), F(1.0), F(2.0)
TINY = F(1e-18)


@njit(nogil=True, cache=True, error_model="numpy")
def colour_noise(white: FloatArray, keep: float, noise: Float32Array) -> None:
    """Fill `noise` (3, n) with white noise, a dark and a bright one made of it, all as loud.

    Dark: a leaky sum, which keeps the share `keep` from sample to sample. Bright: the difference
    of neighbours. Their gains follow from the variance of such sums.
    """
    dark_gain, bright_gain = np.sqrt(1.0 - keep * keep), np.sqrt(0.5)
    total, before = 0.0, 0.0
    for i in range(white.shape[0]):
        x = white[i]
        total = keep * total + x
        noise[0, i] = F(x)
        noise[1, i] = F(dark_gain * total)
        noise[2, i] = F(bright_gain * (x - before))
        before = x


@njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def soft_clip(x: np.float32) -> np.float32:
    """Saturate by x(27 + x^2)/(27 + 9x^2): within 0.024 of tanh, and flat where it ends at 3."""
    x = min(max(x, F(-3.0)), F(3.0))
    s = x * x
    return x * (F(27.0) + s) / (F(27.0) + F(9.0) * s)


@njit(nogil=True, cache=True, error_model="numpy")
def set_ramp(
    now: Float32Array, following: Float32Array, block: int, ramps: Float32Array, row: int
) -> None:
    """Ramp between two control values in a straight line: start in `row`, slope below."""
    for lane in range(LANES):
        ramps[row, lane] = now[lane]
        ramps[row + 1, lane] = (following[lane] - now[lane]) / F(block)


@njit(nogil=True, cache=True, error_model="numpy")
def add_noise(
    mix: Float32Array,
    noise: Float32Array,
    first: int,
    ramps: Float32Array,
    share: Float32Array,
    colours: Float32Array,
) -> None:
    """Add each lane's share of the common noise in its colour, at its ramped level."""
    for j in range(mix.shape[0]):
        white, dark, bright = noise[0, first + j], noise[1, first + j], noise[2, first + j]
        for lane in range(mix.shape[1]):
            level = ramps[ITS_NOISE, lane] + F(j) * ramps[ITS_NOISE + 1, lane]
            x = white * colours[0, lane] + dark * colours[1, lane] + bright * colours[2, lane]
            mix[j, lane] += x * level * share[lane]


@njit(nogil=True, cache=True, error_model="numpy")
def run_highpass(mix: Float32Array, g: Float32Array, state: Float32Array) -> None:
    """One-pole high-pass (zero-delay feedback), 6 dB/octave; g = 0 passes a lane unchanged."""
    for j in range(mix.shape[0]):
        for lane in range(mix.shape[1]):
            x = mix[j, lane]
            y = (x - state[lane]) / (ONE + g[lane])
            state[lane] += TWO * g[lane] * y
            mix[j, lane] = y if g[lane] > ZERO else x


@njit(nogil=True, cache=True, error_model="numpy")
def drive(mix: Float32Array, excess: Float32Array) -> None:
    """Amplify and saturate before the filter; `excess` is gain - 1, 0 leaves a lane as it is."""
    for j in range(mix.shape[0]):
        for lane in range(mix.shape[1]):
            k = excess[lane]
            x = mix[j, lane]
            mix[j, lane] = soft_clip(k * x) * (ONE + k) / k if k > ZERO else x


@njit(nogil=True, cache=True, error_model="numpy")
def run_section(
    mix: Float32Array, ramps: Float32Array, section: Float32Array, state: Float32Array
) -> None:
    """Second-order low-pass section (zero-delay feedback, trapezoidal) with the cutoff ramped."""
    for j in range(mix.shape[0]):
        for lane in range(mix.shape[1]):
            w = (ramps[ITS_CUTOFF, lane] + F(j) * ramps[ITS_CUTOFF + 1, lane]) * section[0, lane]
            x, s1, s2 = mix[j, lane], state[0, lane], state[1, lane]
            v1 = (s1 + w * (x - s2)) / (ONE + w * (w + section[1, lane]))
            v2 = s2 + w * v1
            state[0, lane] = TWO * v1 - s1
            state[1, lane] = TWO * v2 - s2
            dry = ramps[ITS_DRY, lane] + F(j) * ramps[ITS_DRY + 1, lane]
            y = v2 * (ONE - dry) + x * dry
            mix[j, lane] = y if section[2, lane] > ZERO else x


@njit(nogil=True, cache=True, error_model="numpy")
def run_bell(mix: Float32Array, bell: Float32Array, state: Float32Array) -> None:
    """Add the band-pass of a second-order section (zero-delay feedback): a body resonance."""
    for j in range(mix.shape[0]):
        for lane in range(mix.shape[1]):
            g, added = bell[0, lane], bell[2, lane]
            x, s1, s2 = mix[j, lane], state[0, lane], state[1, lane]
            v1 = (s1 + g * (x - s2)) * bell[1, lane]
            v2 = s2 + g * v1
            state[0, lane] = TWO * v1 - s1
            state[1, lane] = TWO * v2 - s2
            mix[j, lane] = x + added * v1 if added != ZERO else x


@njit(nogil=True, cache=True, error_model="numpy")
def amplify(mix: Float32Array, ramps: Float32Array) -> None:
    """Apply the ramped amplifier level."""
    for j in range(mix.shape[0]):
        for lane in range(mix.shape[1]):
            mix[j, lane] *= ramps[ITS_AMP, lane] + F(j) * ramps[ITS_AMP + 1, lane]


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
def is_lowpass_heard(controls: Float32Array) -> bool:
    """Whether the low-pass of any lane ever does something."""
    found = False
    for i in range(controls.shape[0]):
        for lane in range(LANES):
            found = found or controls[i, DRY, lane] < ONE
    return found


@njit(nogil=True, cache=True, error_model="numpy")
def run_filters(
    settings: Float32Array,
    controls: Float32Array,
    block: int,
    noise: Float32Array,
    sound: Float32Array,
) -> None:
    """Add noise to the oscillators of one note; filter and amplify them.

    Parameters
    ----------
    settings : float32, shape=(N_SETTINGS, LANES)
        Constants of the note, from `voice._settings.prepare_settings`.
    controls : float32, shape=(n_blocks + 1, N_CONTROLS, LANES)
        Control values at the edges of the blocks, from `voice._controls.render_controls`.
    block : int
        Samples in a block.
    noise : float32, shape=(3, n_samples)
        White, dark and bright noise, the same for all lanes.
    sound : float32, shape=(n_samples, LANES)
        The oscillators; the finished note after the call.
    """
    ramps, state = np.empty((8, LANES), F), np.zeros((9, LANES), F)
    first_section = settings[SECTIONS : SECTIONS + 3]
    second_section = settings[SECTIONS + 3 : SECTIONS + 6]
    through, past = settings[SHARES], settings[SHARES + 1]
    has_noise = is_any(controls[0, NOISE_AMP])
    has_noise_past = has_noise and is_any(past)
    has_highpass, has_drive = is_any(settings[HIGHPASS_TAN]), is_any(settings[DRIVE])
    has_lowpass = is_lowpass_heard(controls)
    has_second = has_lowpass and is_any(second_section[2])
    colours = settings[COLOURS : COLOURS + 3]
    bell, second_bell = settings[BELLS : BELLS + 3], settings[BELLS + 3 : BELLS + 6]
    has_bell, has_second_bell = is_any(bell[2]), is_any(second_bell[2])
    for i in range(controls.shape[0] - 1):
        now, following = controls[i], controls[i + 1]
        mix = sound[i * block : (i + 1) * block]
        if has_noise:
            set_ramp(now[NOISE_AMP], following[NOISE_AMP], block, ramps, ITS_NOISE)
            add_noise(mix, noise, i * block, ramps, through, colours)
        if has_highpass:
            run_highpass(mix, settings[HIGHPASS_TAN], state[0])
        if has_drive:
            drive(mix, settings[DRIVE])
        if has_lowpass:
            set_ramp(now[CUTOFF], following[CUTOFF], block, ramps, ITS_CUTOFF)
            set_ramp(now[DRY], following[DRY], block, ramps, ITS_DRY)
            run_section(mix, ramps, first_section, state[1:3])
        if has_second:
            run_section(mix, ramps, second_section, state[3:5])
        if has_bell:
            run_bell(mix, bell, state[5:7])
        if has_second_bell:
            run_bell(mix, second_bell, state[7:9])
        if has_noise_past:
            add_noise(mix, noise, i * block, ramps, past, colours)
        set_ramp(now[AMP], following[AMP], block, ramps, ITS_AMP)
        amplify(mix, ramps)
        flush_tiny(state)
