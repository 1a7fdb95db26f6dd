"""The sound of the voice: oscillators, noise, filters and amplifier from given controls.

One note of 16 candidates, side by side as SIMD lanes; see `voice._controls`, which computes the
controls at the edges of each block of about 0.36 ms. They are ramped in straight lines within
it. Lanes never mix, and a part at its neutral value adds an exact zero, so a candidate sounds
the same to the bit alone, in any batch and beside any neighbour. Phases are 32-bit integers that
wrap by themselves: no drift.
"""

import numpy as np
from numba import njit

LANES = 16
TABLE_SIZE = 4096
TABLES_PER_OCTAVE = 16
N_TABLES = 12 * TABLES_PER_OCTAVE

F = np.float32
U = np.uint32
ZERO, HALF, ONE, TWO = F(0.0), F(0.5), F(1.0), F(2.0)
INDEX_SHIFT = U(20)
FRACTION_MASK = U(0xFFFFF)
FRACTION_SCALE = F(2.0**-20)
ALL_BITS = U(0xFFFFFFFF)
ONE_U = U(1)
NEXT_TABLE = U(TABLE_SIZE + 1)
TINY = F(1e-18)


@njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def soft_clip(x):
    """Saturate: tanh's continued fraction x(27 + x^2)/(27 + 9x^2), which meets 1 at x = 3."""
    x = min(max(x, F(-3.0)), F(3.0))
    s = x * x
    return x * (F(27.0) + s) / (F(27.0) + F(9.0) * s)


@njit(nogil=True, cache=True, error_model="numpy")
def set_integer_ramp(now, following, block, start, bend):
    """Ramp between two control values as integers that wrap at 2**32."""
    for lane in range(LANES):
        a, b = np.int64(now[lane]), np.int64(following[lane])
        start[lane] = U(a)
        bend[lane] = U(np.int64(F(b - a) / F(block)))


@njit(nogil=True, cache=True, error_model="numpy")
def set_tables(now, following, moving, block, offset, fade, fade_slope):
    """Choose each lane's wavetable by its pitch.

    A lane whose pitch stands still reads the nearest table alone (fade exactly 0); one whose
    pitch moves fades from a table to the next, so that no partial ever jumps.
    """
    for lane in range(LANES):
        x = min(max(-now[lane], ONE), F(N_TABLES - 2) / F(TABLES_PER_OCTAVE)) * F(
            TABLES_PER_OCTAVE
        )
        y = (now[lane] - following[lane]) * F(TABLES_PER_OCTAVE)
        is_moving = moving[lane] > ZERO
        k = np.floor(x) if is_moving else np.floor(x + HALF)
        offset[lane] = np.uint32(k) * NEXT_TABLE
        fade[lane] = x - k if is_moving else ZERO
        fade_slope[lane] = min(max(y, -ONE), ONE) / F(block) if is_moving else ZERO


@njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def read(table, i, phase):
    """Wave at a phase (of 2**32) in the table that starts at `i`, in a straight line between."""
    i = i + (phase >> INDEX_SHIFT)
    a = table[i]
    return a + (table[i + ONE_U] - a) * (F(phase & FRACTION_MASK) * FRACTION_SCALE)


@njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def read_fading(table, i, phase, fade):
    """Wave at a phase, faded from the table at `i` to the next one."""
    a = read(table, i, phase)
    return a + (read(table, i + NEXT_TABLE, phase) - a) * fade


@njit(nogil=True, cache=True, error_model="numpy")
def add_wave(mix, n, table, offset, phase, step, bend, gain):
    """Add gain * wave; the phase moves on by `step`, the step by `bend`, all of 2**32."""
    for j in range(n):
        for lane in range(LANES):
            p = phase[lane]
            phase[lane] = p + step[lane]
            step[lane] += bend[lane]
            mix[j, lane] += gain[lane] * read(table, offset[lane], p)


@njit(nogil=True, cache=True, error_model="numpy")
def add_wave_pair(mix, n, table, offset, phase, step, bend, gain, turn, turn_bend, turned_gain):
    """`add_wave` with a second reading whose phase is turned by a moving pulse width."""
    for j in range(n):
        for lane in range(LANES):
            p = phase[lane]
            phase[lane] = p + step[lane]
            step[lane] += bend[lane]
            x = gain[lane] * read(table, offset[lane], p)
            p = U(p + turn[lane])
            turn[lane] += turn_bend[lane]
            mix[j, lane] += x + turned_gain[lane] * read(table, offset[lane], p)


@njit(nogil=True, cache=True, error_model="numpy")
def add_fading_wave(mix, n, table, offset, phase, step, bend, gain, fade, fade_slope):
    """`add_wave`, fading between tables while the pitch moves."""
    for j in range(n):
        for lane in range(LANES):
            p = phase[lane]
            phase[lane] = p + step[lane]
            step[lane] += bend[lane]
            f = fade[lane]
            fade[lane] = f + fade_slope[lane]
            mix[j, lane] += gain[lane] * read_fading(table, offset[lane], p, f)


@njit(nogil=True, cache=True, error_model="numpy")
def add_fading_wave_pair(
    mix, n, table, offset, phase, step, bend, gain, fade, fade_slope, turn, turn_bend, turned_gain
):
    """`add_wave_pair`, fading between tables while the pitch moves."""
    for j in range(n):
        for lane in range(LANES):
            p = phase[lane]
            phase[lane] = p + step[lane]
            step[lane] += bend[lane]
            f = fade[lane]
            fade[lane] = f + fade_slope[lane]
            x = gain[lane] * read_fading(table, offset[lane], p, f)
            p = U(p + turn[lane])
            turn[lane] += turn_bend[lane]
            mix[j, lane] += x + turned_gain[lane] * read_fading(table, offset[lane], p, f)


@njit(nogil=True, cache=True, error_model="numpy")
def add_noise(mix, n, noise, now, slope):
    """Add the common noise at each lane's ramped level."""
    for j in range(n):
        for lane in range(mix.shape[1]):
            mix[j, lane] += noise[j] * (now[lane] + F(j) * slope[lane])


@njit(nogil=True, cache=True, error_model="numpy")
def run_highpass(mix, n, g, state):
    """One-pole high-pass (zero-delay feedback), 6 dB/octave; g = 0 passes a lane unchanged."""
    for j in range(n):
        for lane in range(mix.shape[1]):
            x = mix[j, lane]
            y = (x - state[lane]) / (ONE + g[lane])
            state[lane] += TWO * g[lane] * y
            mix[j, lane] = y if g[lane] > ZERO else x


@njit(nogil=True, cache=True, error_model="numpy")
def drive(mix, n, excess):
    """Saturate before the filter; `excess` is gain - 1, and 0 leaves a lane as it is."""
    for j in range(n):
        for lane in range(mix.shape[1]):
            k = excess[lane]
            x = mix[j, lane]
            mix[j, lane] = soft_clip(k * x) / k if k > ZERO else x


@njit(nogil=True, cache=True, error_model="numpy")
def run_section(mix, n, g, slope, tuning, damping, is_on, state):
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
def amplify(mix, n, now, slope, out):
    """Apply the ramped amplifier level and hand the block over to `out` (n, LANES)."""
    for j in range(n):
        for lane in range(mix.shape[1]):
            out[j, lane] = mix[j, lane] * (now[lane] + F(j) * slope[lane])


@njit(nogil=True, cache=True, error_model="numpy")
def flush_tiny(state):
    """Set values far below hearing to zero, so that tails never run on denormal numbers."""
    for row in range(state.shape[0]):
        for lane in range(LANES):
            x = state[row, lane]
            state[row, lane] = x if abs(x) > TINY else ZERO


@njit(nogil=True, cache=True, error_model="numpy")
def is_any(row):
    """Whether any lane differs from zero."""
    found = False
    for lane in range(LANES):
        found = found or row[lane] != ZERO
    return found


@njit(nogil=True, cache=True, error_model="numpy")
def find_moving(controls, row, moving):
    """Mark the lanes whose pitch changes during the note; tell whether there is any."""
    for lane in range(LANES):
        moving[lane] = ZERO
    for i in range(1, controls.shape[0]):
        for lane in range(LANES):
            if controls[i, row, lane] != controls[0, row, lane]:
                moving[lane] = ONE
    return is_any(moving)


@njit(nogil=True, cache=True, error_model="numpy")
def set_ramp(now, following, block, slope):
    """Slope per sample from one control value to the next."""
    for lane in range(LANES):
        slope[lane] = (following[lane] - now[lane]) / F(block)


@njit(nogil=True, cache=True, error_model="numpy")
def add_oscillator(mix, n, block, o, levels, has, waves, phase, now, following, moving, rows):
    """Add the waveforms of oscillator `o` for a block; `has` tells which of them any lane uses.

    A pulse is the difference of two sawtooths, one of them turned by the pulse width, so it is
    as band-limited as they are while its width moves.
    """
    saw, triangle = waves
    step, bend, turn, turn_bend, offset, triangle_phase, fade, fade_slope = rows
    set_tables(now[o], following[o], moving, block, offset, fade, fade_slope)
    if has[2]:
        set_integer_ramp(now[2 + o], following[2 + o], block, step, bend)
        triangle_phase[:] = phase
        # A copy of the fade is not needed: it is set anew for the sawtooth below.
        if has[3]:
            add_fading_wave(
                mix, n, triangle, offset, triangle_phase, step, bend, levels[2], fade, fade_slope
            )
            set_tables(now[o], following[o], moving, block, offset, fade, fade_slope)
        else:
            add_wave(mix, n, triangle, offset, triangle_phase, step, bend, levels[2])
    set_integer_ramp(now[2 + o], following[2 + o], block, step, bend)
    if has[1]:
        set_integer_ramp(now[4 + o], following[4 + o], block, turn, turn_bend)
        if has[3]:
            add_fading_wave_pair(
                mix,
                n,
                saw,
                offset,
                phase,
                step,
                bend,
                levels[0],
                fade,
                fade_slope,
                turn,
                turn_bend,
                levels[1],
            )
        else:
            add_wave_pair(
                mix, n, saw, offset, phase, step, bend, levels[0], turn, turn_bend, levels[1]
            )
    elif has[3]:
        add_fading_wave(mix, n, saw, offset, phase, step, bend, levels[0], fade, fade_slope)
    else:
        add_wave(mix, n, saw, offset, phase, step, bend, levels[0])


@njit(nogil=True, cache=True, error_model="numpy")
def render_audio(settings, controls, start_phases, block, noise, saw, triangle, out):
    """Render one note for LANES candidates.

    Parameters
    ----------
    settings : float32, shape=(N_SETTINGS, LANES)
        Constants of the note, from `voice._controls.render_controls`.
    controls : float32, shape=(n_blocks + 1, N_CONTROLS, LANES)
        Control values at the edges of the blocks, from the same.
    start_phases : float32, shape=(2, LANES)
        Phases of the oscillators at note start, in cycles.
    block : int
        Samples in a block.
    noise : float32, shape=(n_samples,)
        Noise, the same for all lanes.
    saw, triangle : float32, shape=(N_TABLES * (TABLE_SIZE + 1),)
        Wavetables, see `voice.wavetables`.
    out : float32, shape=(n_samples, LANES)
        The sound; overwritten.
    """
    mix = np.empty((block, LANES), F)
    rows_u, rows_f = np.empty((6, LANES), U), np.empty((2, LANES), F)
    rows = (
        rows_u[0],
        rows_u[1],
        rows_u[2],
        rows_u[3],
        rows_u[4],
        rows_u[5],
        rows_f[0],
        rows_f[1],
    )
    phase, moving = np.empty((2, LANES), U), np.empty((2, LANES), F)
    slope, state, always = np.empty(LANES, F), np.zeros((5, LANES), F), np.full(LANES, ONE)
    has = np.empty((2, 4), np.bool_)
    for o in range(2):
        for k in range(3):
            has[o, k] = is_any(settings[3 * o + k])
        has[o, 3] = find_moving(controls, o, moving[o])
        for lane in range(LANES):
            x = start_phases[o, lane]
            phase[o, lane] = U(np.int64((x - np.floor(x)) * F(4294967296.0)))
    has_noise, has_fourth = is_any(controls[0, 8]), is_any(settings[10])
    has_drive, has_highpass = is_any(settings[11]), is_any(settings[12])
    n_samples = out.shape[0]
    for i in range(controls.shape[0] - 1):
        first = i * block
        n = min(block, n_samples - first)
        now, following = controls[i], controls[i + 1]
        mix[:] = ZERO
        for o in range(2):
            if has[o, 0] or has[o, 2]:
                levels = settings[3 * o : 3 * o + 3]
                add_oscillator(
                    mix,
                    n,
                    block,
                    o,
                    levels,
                    has[o],
                    (saw, triangle),
                    phase[o],
                    now,
                    following,
                    moving[o],
                    rows,
                )
        if has_noise:
            set_ramp(now[8], following[8], block, slope)
            add_noise(mix, n, noise[first : first + n], now[8], slope)
        if has_highpass:
            run_highpass(mix, n, settings[12], state[0])
        if has_drive:
            drive(mix, n, settings[11])
        set_ramp(now[6], following[6], block, slope)
        run_section(mix, n, now[6], slope, settings[6], settings[8], always, state[1:3])
        if has_fourth:
            run_section(mix, n, now[6], slope, settings[7], settings[9], settings[10], state[3:5])
        set_ramp(now[7], following[7], block, slope)
        amplify(mix, n, now[7], slope, out[first : first + n])
        flush_tiny(state)
