"""What follows the oscillators, in place: noise, filters, drive, body, filter bank, amplifier.

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
N_BELLS, N_BODIES = 14, 2
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


@njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def ring(
    x: np.float32,
    g: np.float32,
    loop: np.float32,
    added: np.float32,
    s1: np.float32,
    s2: np.float32,
) -> tuple[np.float32, np.float32, np.float32]:
    """Add the band-pass of a second-order section (zero-delay feedback); return its states, too.

    Added to nothing of it (0), the sample stays as it is.
    """
    v1 = (s1 + g * (x - s2)) * loop
    v2 = s2 + g * v1
    return x + added * v1 if added != ZERO else x, TWO * v1 - s1, TWO * v2 - s2


@njit(nogil=True, cache=True, error_model="numpy")
def run_bell(mix: Float32Array, b: Float32Array, s: Float32Array) -> None:
    """Run one bell: a body resonance, or a band of the filter bank."""
    for j in range(mix.shape[0]):
        for i in range(mix.shape[1]):
            x = mix[j, i]
            x, s[0, i], s[1, i] = ring(x, b[0, i], b[1, i], b[2, i], s[0, i], s[1, i])
            mix[j, i] = x


@njit(nogil=True, cache=True, error_model="numpy")
def run_two_bells(mix: Float32Array, b: Float32Array, s: Float32Array) -> None:
    """Run two bells, one after the other: the processor computes one while the other waits.

    0.35 ns for each bell and sample instead of 0.5 ns; a loop over four isn't vectorized.
    """
    for j in range(mix.shape[0]):
        for i in range(mix.shape[1]):
            x = mix[j, i]
            x, s[0, i], s[1, i] = ring(x, b[0, i], b[1, i], b[2, i], s[0, i], s[1, i])
            x, s[2, i], s[3, i] = ring(x, b[3, i], b[4, i], b[5, i], s[2, i], s[3, i])
            mix[j, i] = x


@njit(nogil=True, cache=True, error_model="numpy")
def run_bells(mix: Float32Array, bells: Float32Array, state: Float32Array) -> None:
    """Run bells in series: three rows each in `bells`, two in `state`."""
    n_bells = state.shape[0] // 2
    for i in range(0, n_bells - 1, 2):
        run_two_bells(mix, bells[3 * i : 3 * i + 6], state[2 * i : 2 * i + 4])
    if n_bells % 2:
        run_bell(mix, bells[3 * n_bells - 3 :], state[2 * n_bells - 2 :])


@njit(nogil=True, cache=True, error_model="numpy")
def bells_in_use(bells: Float32Array) -> Float32Array:
    """Return the rows of those bells that some lane has on; the others cost nothing."""
    used = np.empty_like(bells)
    n_used = 0
    for i in range(bells.shape[0] // 3):
        if is_any(bells[3 * i + 2]):
            used[3 * n_used : 3 * n_used + 3] = bells[3 * i : 3 * i + 3]
            n_used += 1
    return used[: 3 * n_used]


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
def is_noise_heard(controls: Float32Array) -> bool:
    """Whether any lane ever has noise; with an attack it begins at nothing."""
    total = np.zeros(LANES, F)
    for i in range(controls.shape[0]):
        for lane in range(controls.shape[2]):
            total[lane] += controls[i, NOISE_AMP, lane]
    return is_any(total)


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
    bodies = bells_in_use(settings[BELLS : BELLS + 3 * N_BODIES])
    bank = bells_in_use(settings[BELLS + 3 * N_BODIES : BELLS + 3 * N_BELLS])
    first_of_bank = 5 + 2 * (bodies.shape[0] // 3)
    n_states = first_of_bank + 2 * (bank.shape[0] // 3)
    ramps, state = np.empty((8, LANES), F), np.zeros((n_states, LANES), F)
    first_section = settings[SECTIONS : SECTIONS + 3]
    second_section = settings[SECTIONS + 3 : SECTIONS + 6]
    through, past = settings[SHARES], settings[SHARES + 1]
    has_noise = is_noise_heard(controls)
    has_noise_past = has_noise and is_any(past)
    has_highpass, has_drive = is_any(settings[HIGHPASS_TAN]), is_any(settings[DRIVE])
    has_lowpass = is_lowpass_heard(controls)
    has_second = has_lowpass and is_any(second_section[2])
    colours = settings[COLOURS : COLOURS + 3]
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
        if bodies.shape[0]:
            run_bells(mix, bodies, state[5:first_of_bank])
        if has_noise_past:
            add_noise(mix, noise, i * block, ramps, past, colours)
        if bank.shape[0]:
            run_bells(mix, bank, state[first_of_bank:])
        set_ramp(now[AMP], following[AMP], block, ramps, ITS_AMP)
        amplify(mix, ramps)
        flush_tiny(state)
