"""Oscillators of the voice: sawtooth, pulse and triangle from wavetables, given their controls.

One note of 16 candidates, side by side as SIMD lanes; see `voice.control_kernels`, which computes
the controls at the edges of each block of about 0.36 ms. They are ramped in straight lines within
it. Lanes never mix, and a part at its neutral value adds an exact zero, so a candidate sounds the
same to the bit alone, in any batch and beside any neighbour. Phases are 32-bit integers that wrap
by themselves: no drift. `voice.filter_kernels` carries on with the sound.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

from voice.lane_oscillators import wave, wave_fading, wave_pair, wave_pair_fading

if TYPE_CHECKING:
    import numpy.typing as npt

    from shared.types import Float32Array

    BoolArray = npt.NDArray[np.bool_]
    UintArray = npt.NDArray[np.uint32]
    # Start of a block in the flat sound, number of samples, offsets of rows.
    Places = tuple[int, int, int, int, int]

LANES = 16
TABLE_SIZE = 4096
TABLES_PER_OCTAVE = 16
N_TABLES = 12 * TABLES_PER_OCTAVE

# Rows of the settings and controls, as in `voice.setting_kernels` and `voice.control_kernels` (a
# test compares them).
LEVELS, MOVING = 0, 14
PITCH, STEP, TURN = 0, 2, 4

# What an oscillator goes through a block with, one row each: integers (all but the first in
# 2**-32 of a cycle), and floats. The first is the start of the wavetable.
OFFSET, PHASE, ITS_STEP, BEND, ITS_TURN, TURN_BEND, N_INTS = 0, 1, 2, 3, 4, 5, 6
FADE, FADE_SLOPE = 0, 1
# What any lane of an oscillator uses: its waveforms, and moving pitch.
SAW_OR_PULSE, PULSE, TRIANGLE, MOVES = 0, 1, 2, 3

F = np.float32
U = np.uint32
ZERO, HALF, ONE = F(0.0), F(0.5), F(1.0)
NEXT_TABLE = U(TABLE_SIZE + 1)
CYCLE = F(4294967296.0)
# A wave of half the rate has no partial that may sound; the last but one fades to the last.
FIRST_TABLE, LAST_TABLE = F(TABLES_PER_OCTAVE), F(N_TABLES - 2)


@njit(nogil=True, cache=True, error_model="numpy")
def set_integer_ramp(
    now: Float32Array, following: Float32Array, block: int, ints: UintArray, row: int
) -> None:
    """Ramp between two controls as integers that wrap at 2**32: start in `row`, slope below."""
    for lane in range(LANES):
        a, b = np.int64(now[lane]), np.int64(following[lane])
        ints[row, lane] = U(a)
        ints[row + 1, lane] = U(np.int64(F(b - a) / F(block)))


@njit(nogil=True, cache=True, error_model="numpy")
def set_tables(
    now: Float32Array,
    following: Float32Array,
    moving: Float32Array,
    block: int,
    ints: UintArray,
    floats: Float32Array,
) -> None:
    """Choose each lane's wavetable by its pitch.

    A lane whose pitch stands still reads the nearest table alone (fade exactly 0); one whose
    pitch moves fades from a table to the next, so that no partial jumps. Where it moves by more
    than a table in one block, the highest pitch of the block chooses, so that none passes half
    the rate.
    """
    for lane in range(LANES):
        y = (now[lane] - following[lane]) * F(TABLES_PER_OCTAVE)
        is_fast = abs(y) > ONE
        x = max(now[lane], following[lane]) if is_fast else now[lane]
        x = min(max(-x * F(TABLES_PER_OCTAVE), FIRST_TABLE), LAST_TABLE)
        is_moving = moving[lane] > ZERO
        k = np.floor(x) if is_moving else np.floor(x + HALF)
        ints[OFFSET, lane] = np.uint32(k) * NEXT_TABLE
        floats[FADE, lane] = x - k if is_moving else ZERO
        floats[FADE_SLOPE, lane] = y / F(block) if is_moving and not is_fast else ZERO


@njit(nogil=True, cache=True, error_model="numpy")
def is_any(row: Float32Array) -> bool:
    """Whether any lane differs from zero."""
    found = False
    for lane in range(LANES):
        found = found or row[lane] != ZERO
    return found


@njit(nogil=True, cache=True, error_model="numpy")
def add_triangle(
    sound: Float32Array,
    table: Float32Array,
    ints: UintArray,
    floats: Float32Array,
    levels: Float32Array,
    places: Places,
    has: BoolArray,
) -> None:
    """Add the triangle of a block; the phase and the fade are left as they were."""
    flat_ints, flat_floats, gains = ints.reshape(-1), floats.reshape(-1), levels.reshape(-1)
    kept_ints, kept_floats = ints.copy(), floats.copy()
    if has[MOVES]:
        wave_fading(sound, table, flat_ints, flat_floats, gains, places)
    else:
        wave(sound, table, flat_ints, flat_floats, gains, places)
    # Written out: an assignment of arrays compiles for seconds, as it words its errors.
    for row in range(ints.shape[0]):
        for lane in range(LANES):
            ints[row, lane] = kept_ints[row, lane]
    for row in range(floats.shape[0]):
        for lane in range(LANES):
            floats[row, lane] = kept_floats[row, lane]


@njit(nogil=True, cache=True, error_model="numpy")
def add_saw_and_pulse(
    sound: Float32Array,
    table: Float32Array,
    ints: UintArray,
    floats: Float32Array,
    levels: Float32Array,
    places: Places,
    has: BoolArray,
) -> None:
    """Add sawtooth and pulse of a block, and move the phase on.

    A pulse is the difference of two sawtooths, one of them turned by the pulse width, so it is
    as band-limited as they are while its width moves.
    """
    flat_ints, flat_floats, gains = ints.reshape(-1), floats.reshape(-1), levels.reshape(-1)
    if has[PULSE] and has[MOVES]:
        wave_pair_fading(sound, table, flat_ints, flat_floats, gains, places)
    elif has[PULSE]:
        wave_pair(sound, table, flat_ints, flat_floats, gains, places)
    elif has[MOVES]:
        wave_fading(sound, table, flat_ints, flat_floats, gains, places)
    else:
        wave(sound, table, flat_ints, flat_floats, gains, places)


@njit(nogil=True, cache=True, error_model="numpy")
def render_oscillators(
    settings: Float32Array,
    controls: Float32Array,
    start_phases: Float32Array,
    block: int,
    saw: Float32Array,
    triangle: Float32Array,
    out: Float32Array,
) -> None:
    """Render the oscillators of one note for LANES candidates."""
    ints, floats = np.zeros((2, N_INTS, LANES), U), np.zeros((2, LANES), F)
    sound = out.reshape(-1)
    has = np.empty((2, 4), np.bool_)
    for o in range(2):
        for k in range(3):
            has[o, k] = is_any(settings[LEVELS + 3 * o + k])
        has[o, MOVES] = is_any(settings[MOVING + o])
        for lane in range(LANES):
            x = start_phases[o, lane]
            ints[o, PHASE, lane] = U(np.int64((x - np.floor(x)) * CYCLE))
    for i in range(controls.shape[0] - 1):
        now, following = controls[i], controls[i + 1]
        first, last = i * block, min((i + 1) * block, out.shape[0])
        out[first:last] = ZERO
        for o in range(2):
            # A pulse that is turned over may take all of the sawtooth that stands still.
            if not (has[o, SAW_OR_PULSE] or has[o, PULSE] or has[o, TRIANGLE]):
                continue
            levels = settings[LEVELS + 3 * o : LEVELS + 3 * o + 2]
            pitch, step, turn = PITCH + o, STEP + o, TURN + o
            set_tables(now[pitch], following[pitch], settings[MOVING + o], block, ints[o], floats)
            set_integer_ramp(now[step], following[step], block, ints[o], ITS_STEP)
            places = first * LANES, last - first, 0, 0, 0
            if has[o, TRIANGLE]:
                its_level = settings[LEVELS + 3 * o + 2 : LEVELS + 3 * o + 4]
                add_triangle(sound, triangle, ints[o], floats, its_level, places, has[o])
            if has[o, PULSE]:
                set_integer_ramp(now[turn], following[turn], block, ints[o], ITS_TURN)
            add_saw_and_pulse(sound, saw, ints[o], floats, levels, places, has[o])
