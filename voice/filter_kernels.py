"""What follows the oscillators, in place: noise, filters, bodies, bank, amplifier, equaliser.

A share of the noise may go past the filters, from before the high-pass to the amplifier: breath
and bow are brighter than the tone.

One note of 16 candidates, side by side as SIMD lanes, with the controls of
`voice.control_kernels`; see `voice.oscillator_kernels` for how lanes and controls work.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

from voice.lane_filters import (
    add_noise,
    amplify,
    drive,
    highpass,
    ring_1,
    ring_2,
    ring_4,
    section_1,
    section_2,
)

if TYPE_CHECKING:
    from shared.types import Float32Array, FloatArray

LANES = 16

# Rows of the settings and controls, as in `voice.setting_kernels` and `voice.control_kernels` (a
# test compares them).
SECTIONS, DRIVE, HIGHPASS_TAN, SHARES, COLOURS, BELLS = 6, 12, 13, 16, 18, 21
N_BELLS, N_BODIES, N_BANDS = 17, 2, 3
CUTOFF, AMP, NOISE_AMP, DRY = 6, 7, 8, 9

# Rows of what the steps work with: ramps of a block (the value at its start, and below it the
# slope for each sample), the settings, the bells in use, and the states: one of the high-pass, two
# of each low-pass section, two of each bell.
ITS_CUTOFF, ITS_DRY, ITS_AMP, ITS_NOISE, ITS_SETTINGS = 0, 2, 4, 6, 8
ITS_BELLS, N_BEFORE_BELLS = ITS_SETTINGS + BELLS, 5
ITS_SHARES, ITS_COLOURS = ITS_SETTINGS + SHARES, ITS_SETTINGS + COLOURS

F = np.float32
ZERO, ONE = F(0.0), F(1.0)
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


@njit(nogil=True, cache=True, error_model="numpy")
def set_ramp(
    now: Float32Array, following: Float32Array, block: int, ramps: Float32Array, row: int
) -> None:
    """Ramp between two control values in a straight line: start in `row`, slope below."""
    for lane in range(LANES):
        ramps[row, lane] = now[lane]
        ramps[row + 1, lane] = (following[lane] - now[lane]) / F(block)


@njit(nogil=True, cache=True, error_model="numpy")
def run_bells(
    sound: Float32Array,
    work: Float32Array,
    start: int,
    block: int,
    bells: int,
    states: int,
    n: int,
) -> None:
    """Run `n` bells in series, whose settings and states begin in these rows."""
    i = 0
    while i < n:
        places = start, block, (bells + 3 * i) * LANES, (states + 2 * i) * LANES
        if i + 4 <= n:
            ring_4(sound, work, places)
            i += 4
        elif i + 2 <= n:
            ring_2(sound, work, places)
            i += 2
        else:
            ring_1(sound, work, places)
            i += 1


@njit(nogil=True, cache=True, error_model="numpy")
def put_rows(rows: Float32Array, into: Float32Array, first: int) -> None:
    """Copy rows of lanes; an assignment of arrays compiles for seconds, as it words its errors."""
    for row in range(rows.shape[0]):
        for lane in range(LANES):
            into[first + row, lane] = rows[row, lane]


@njit(nogil=True, cache=True, error_model="numpy")
def bells_in_use(bells: Float32Array) -> Float32Array:
    """Return the rows of those bells that some lane has on; the others cost nothing."""
    used = np.empty_like(bells)
    n_used = 0
    for i in range(bells.shape[0] // 3):
        if is_any(bells[3 * i + 2]):
            put_rows(bells[3 * i : 3 * i + 3], used, 3 * n_used)
            n_used += 1
    return used[: 3 * n_used]


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
def laid_out(
    settings: Float32Array, bodies: Float32Array, bank: Float32Array, mixer: Float32Array
) -> Float32Array:
    """Lay out what the steps work with: ramps, settings, bells in use, states at rest."""
    first_of_bank = ITS_BELLS + bodies.shape[0]
    first_of_mixer = first_of_bank + bank.shape[0]
    last = first_of_mixer + mixer.shape[0]
    work = np.zeros((last + N_BEFORE_BELLS + 2 * ((last - ITS_BELLS) // 3), LANES), F)
    put_rows(settings[:BELLS], work, ITS_SETTINGS)
    put_rows(bodies, work, ITS_BELLS)
    put_rows(bank, work, first_of_bank)
    put_rows(mixer, work, first_of_mixer)
    return work


@njit(nogil=True, cache=True, error_model="numpy")
def run_filters(
    settings: Float32Array,
    controls: Float32Array,
    block: int,
    noise: Float32Array,
    sound: Float32Array,
) -> None:
    """Add noise to the oscillators of one note; filter and amplify them."""
    bodies = bells_in_use(settings[BELLS : BELLS + 3 * N_BODIES])
    bank = bells_in_use(settings[BELLS + 3 * N_BODIES : BELLS + 3 * (N_BELLS - N_BANDS)])
    mixer = bells_in_use(settings[BELLS + 3 * (N_BELLS - N_BANDS) : BELLS + 3 * N_BELLS])
    n_bodies, n_bank, n_mixer = bodies.shape[0] // 3, bank.shape[0] // 3, mixer.shape[0] // 3
    work = laid_out(settings, bodies, bank, mixer)
    first_of_bank = ITS_BELLS + 3 * n_bodies
    first_of_mixer = first_of_bank + 3 * n_bank
    first_state = first_of_mixer + 3 * n_mixer
    state_of_bells = first_state + N_BEFORE_BELLS
    state_of_bank = state_of_bells + 2 * n_bodies
    state_of_mixer = state_of_bank + 2 * n_bank
    has_noise = is_noise_heard(controls)
    has_noise_past = has_noise and is_any(settings[SHARES + 1])
    has_highpass, has_drive = is_any(settings[HIGHPASS_TAN]), is_any(settings[DRIVE])
    has_lowpass = is_lowpass_heard(controls)
    has_second = has_lowpass and is_any(settings[SECTIONS + 5])
    highpass_places = (ITS_SETTINGS + HIGHPASS_TAN) * LANES, first_state * LANES
    lowpass_places = (
        ITS_CUTOFF * LANES,
        ITS_DRY * LANES,
        (ITS_SETTINGS + SECTIONS) * LANES,
        (first_state + 1) * LANES,
    )
    flat, flat_work, flat_noise = sound.reshape(-1), work.reshape(-1), noise.reshape(-1)
    n_noise = noise.shape[1]
    for i in range(controls.shape[0] - 1):
        now, following = controls[i], controls[i + 1]
        first, last = i * block, min((i + 1) * block, sound.shape[0])
        start, n = first * LANES, last - first
        from_noise = first, n_noise + first, 2 * n_noise + first
        if has_noise:
            set_ramp(now[NOISE_AMP], following[NOISE_AMP], block, work, ITS_NOISE)
            its_share = ITS_NOISE * LANES, ITS_SHARES * LANES, ITS_COLOURS * LANES
            add_noise(flat, flat_work, flat_noise, (start, n, *its_share, *from_noise))
        if has_highpass:
            highpass(flat, flat_work, (start, n, *highpass_places))
        if has_drive:
            drive(flat, flat_work, (start, n, (ITS_SETTINGS + DRIVE) * LANES))
        if has_lowpass:
            set_ramp(now[CUTOFF], following[CUTOFF], block, work, ITS_CUTOFF)
            set_ramp(now[DRY], following[DRY], block, work, ITS_DRY)
            if has_second:
                section_2(flat, flat_work, (start, n, *lowpass_places))
            else:
                section_1(flat, flat_work, (start, n, *lowpass_places))
        run_bells(flat, flat_work, start, n, ITS_BELLS, state_of_bells, n_bodies)
        if has_noise_past:
            its_share = ITS_NOISE * LANES, (ITS_SHARES + 1) * LANES, ITS_COLOURS * LANES
            add_noise(flat, flat_work, flat_noise, (start, n, *its_share, *from_noise))
        run_bells(flat, flat_work, start, n, first_of_bank, state_of_bank, n_bank)
        set_ramp(now[AMP], following[AMP], block, work, ITS_AMP)
        amplify(flat, flat_work, (start, n, ITS_AMP * LANES))
        run_bells(flat, flat_work, start, n, first_of_mixer, state_of_mixer, n_mixer)
        flush_tiny(work[first_state:])
