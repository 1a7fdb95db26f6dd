"""Control values of the voice: envelopes, LFOs, key tracking and velocity, block by block.

One note of 16 candidates, side by side as SIMD lanes: every array whose last axis has `LANES`
entries holds one candidate per lane. Numbers and arrays only; `voice.render` checks and packs.
Everything that a kernel calls stands in its own file, since numba's cache does not notice a
change in another one; so `voice._audio` takes the controls as an array and makes the sound.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from shared.types import Float32Array

LANES = 16

# Rows of the parameter matrix, in the order of `shared.CATALOGUE` (a test compares them).
TUNE, OSC1, OSC2 = 0, 1, 18
# Offsets in an oscillator's rows; after the octave, oscillator 2 is one further (its detune).
SAW, PULSE, TRIANGLE, OCTAVE, WIDTH = 0, 1, 2, 3, 4
PITCH_ENV, VIBRATO, PWM = 5, 8, 14
NOISE, HIGHPASS, FILTER, BODIES, BANK = 36, 42, 43, 48, 54
FILTER_ENV, FILTER_LFO, AMP_ENV, EQUALISER = 66, 73, 76, 82
N_PARAMETERS = 91

# Rows of the phase matrix, in cycles.
PHASE_OSC, PHASE_VIBRATO, PHASE_PWM, PHASE_FILTER = 0, 2, 4, 6
N_PHASES = 7

# Rows of the control matrix: log2 cycles per sample and step of each oscillator (of 2**32),
# pulse widths (of 2**32), tan(pi cutoff / rate), amplifier level, noise level, share of the
# sound that passes by the low-pass.
PITCH, STEP, TURN, CUTOFF, AMP, NOISE_AMP, DRY = 0, 2, 4, 6, 7, 8, 9
N_CONTROLS = 10

F = np.float32
ZERO, HALF, ONE, TWO = F(0.0), F(0.5), F(1.0), F(2.0)
LOG2_E = F(1.4426950408889634)
LN_2 = F(0.6931471805599453)
OCTAVES_PER_DB = F(0.16609640474436813)
CYCLE = F(4294967296.0)
RATE_SETTLES_S = F(0.5)
NARROWEST = F(0.02)
HIGHEST_PITCH = F(-1.05)  # log2 cycles per sample: no partial is left above it
HIGHEST_STEP = F(0.4829681644624247 * 2.0**32)
LOWEST_CUTOFF_HZ = F(20.0)
HIGHEST_CUTOFF = F(0.49)  # of the rate
# From here up to the neutral 20 kHz the low-pass is faded out: neutral has to be no filter.
DRY_FROM_HZ, DRY_SPAN_HZ = F(16_000.0), F(4_000.0)
# -300 dB: far below hearing, and far above the denormal numbers that slow processors down.
SILENCE = F(1e-15)
# An attack that is fully bent covers so many octaves of an exponential; below the least bend it
# is a straight line.
MOST_BENT_OCTAVES, LEAST_BENT_OCTAVES = F(6.0), F(1e-3)
MIN_OCTAVES = F(-120.0)
POWERS_OF_TWO = (2.0 ** np.arange(-126.0, 128.0)).astype(np.float32)


@njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def exp2(x: np.float32) -> np.float32:
    """2**x in float32 within 2e-7; x is held to -120..120."""
    x = min(max(x, MIN_OCTAVES), -MIN_OCTAVES)
    whole: np.float32 = np.floor(x + HALF)
    f = (x - whole) * F(0.6931471805599453)
    # Taylor series of exp on +-ln(2)/2: the first term left out is below 6e-9.
    p = F(1 / 120) + f * (F(1 / 720) + f * F(1 / 5040))
    p = ONE + f * (ONE + f * (HALF + f * (F(1 / 6) + f * (F(1 / 24) + f * p))))
    power: np.float32 = POWERS_OF_TWO[np.uint64(np.int32(whole) + np.int32(126))]
    return p * power


@njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def sin_cycles(x: np.float32) -> np.float32:
    """sin(2 pi x) in float32 within 2e-7, x in cycles."""
    r: np.float32 = x - np.floor(x + HALF)
    r = HALF - r if r > F(0.25) else r
    r = -HALF - r if r < F(-0.25) else r
    a = r * F(2.0 * np.pi)
    s = a * a
    # Taylor series of sin on +-pi/2: the first term left out is below 6e-8.
    p = F(1 / 5040) - s * (F(1 / 362880) - s * F(1 / 39916800))
    return a * (ONE - s * (F(1 / 6) - s * (F(1 / 120) - s * p)))


@njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def tan_pi(x: np.float32) -> np.float32:
    """tan(pi x) in float32 for 0 <= x < 0.5."""
    return sin_cycles(x * HALF) / sin_cycles(F(0.25) - x * HALF)


@njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def held_envelope(
    t: np.float32, attack: np.float32, curve: np.float32, decay: np.float32, sustain: np.float32
) -> np.float32:
    """Envelope while the gate is open: up to 1, then exponentially to sustain.

    The attack is a straight line, or bent by `curve`: (1 - 2**(-k x)) / (1 - 2**-k).
    """
    falling = sustain + (ONE - sustain) * exp2(-(t - attack) / decay * LOG2_E)
    x, k = t / attack, MOST_BENT_OCTAVES * curve
    is_bent = abs(k) > LEAST_BENT_OCTAVES
    k = k if is_bent else ONE
    bent = (ONE - exp2(-k * x)) / (ONE - exp2(-k))
    rising = bent if is_bent else x
    return rising if t < attack else falling


@njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def envelope(
    t: np.float32,
    gate: np.float32,
    attack: np.float32,
    curve: np.float32,
    decay: np.float32,
    sustain: np.float32,
    release: np.float32,
    at_gate_end: np.float32,
) -> np.float32:
    """Attack, decay, sustain, release; the release starts from the level at the gate's end."""
    held = held_envelope(t, attack, curve, decay, sustain)
    return held if t <= gate else at_gate_end * exp2(-(t - gate) / release * LOG2_E)


@njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def faded_in(t: np.float32, delay: np.float32) -> np.float32:
    """Share of its depth that an LFO has: nothing for half of the delay, then a straight line."""
    return max(TWO * t / delay - ONE, ZERO) if t < delay else ONE


@njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def vibrato_octaves(
    t: np.float32, delay: np.float32, depth_cents: np.float32, phase: np.float32
) -> np.float32:
    """Pitch movement of one vibrato at time `t`; the depth fades in over the delay."""
    return depth_cents * faded_in(t, delay) * sin_cycles(phase) / F(1200.0)


@njit(nogil=True, cache=True, error_model="numpy")
def advance_lfos(
    v: Float32Array, t: np.float32, dt: np.float32, rate_hz: Float32Array, phases: Float32Array
) -> None:
    """Turn the phases of vibratos and pulse widths on by one block, at the rate of its middle."""
    settled = exp2(-(t + HALF * dt) / RATE_SETTLES_S * LOG2_E)
    for o in range(2):
        rate_env = (OSC1, OSC2 + 1)[o] + VIBRATO + 5
        for lane in range(LANES):
            p = phases[PHASE_VIBRATO + o, lane]
            p += dt * rate_hz[o, lane] * exp2(v[rate_env, lane] * settled)
            phases[PHASE_VIBRATO + o, lane] = p - np.floor(p)
        for lane in range(LANES):
            p = phases[PHASE_PWM + o, lane] + dt * rate_hz[2 + o, lane]
            phases[PHASE_PWM + o, lane] = p - np.floor(p)


@njit(nogil=True, cache=True, error_model="numpy")
def set_oscillator(
    v: Float32Array,
    o: int,
    t: np.float32,
    note: Float32Array,
    depth_cents: Float32Array,
    phases: Float32Array,
    controls: Float32Array,
) -> None:
    """Set pitch, step and pulse width of oscillator `o` at time `t`."""
    osc = OSC2 if o == 1 else OSC1
    rest = osc + o  # the rows after the octave: oscillator 2 has its detune in between
    env, delay = rest + PITCH_ENV, rest + VIBRATO + 2
    for lane in range(LANES):
        cents = v[TUNE, lane] + v[rest + OCTAVE, lane] * F(o)
        x = held_envelope(t, v[env + 1, lane], ZERO, v[env + 2, lane], ZERO)
        cents += v[env, lane] * x
        octaves = v[osc + OCTAVE, lane] + cents / F(1200.0)
        phase = phases[PHASE_VIBRATO + o, lane]
        octaves += vibrato_octaves(t, v[delay, lane], depth_cents[o, lane], phase)
        controls[PITCH + o, lane] = min(note[0] + octaves - note[3], HIGHEST_PITCH)
        # Not from the line above, whose float32 has lost the last thousandth of a cent.
        controls[STEP + o, lane] = min(exp2(octaves) * note[4], HIGHEST_STEP)
    for lane in range(LANES):
        x = v[rest + PWM + 1, lane] * sin_cycles(phases[PHASE_PWM + o, lane])
        x = min(max(x + v[rest + WIDTH, lane], NARROWEST), ONE - NARROWEST)
        controls[TURN + o, lane] = x * CYCLE


@njit(nogil=True, cache=True, error_model="numpy")
def swing_cutoff(
    v: Float32Array, t: np.float32, dt: np.float32, phases: Float32Array, swing: Float32Array
) -> None:
    """Set the octaves that the LFO adds to the cutoff at time `t`; turn it on by one block."""
    for lane in range(LANES):
        p = phases[PHASE_FILTER, lane]
        depth = v[FILTER_LFO + 1, lane] * faded_in(t, v[FILTER_LFO + 2, lane])
        swing[lane] = depth * sin_cycles(p)
        p += dt * v[FILTER_LFO, lane]
        phases[PHASE_FILTER, lane] = p - np.floor(p)


@njit(nogil=True, cache=True, error_model="numpy")
def set_filter(
    v: Float32Array,
    t: np.float32,
    gate: np.float32,
    note: Float32Array,
    at_gate_end: Float32Array,
    swing: Float32Array,
    controls: Float32Array,
) -> None:
    """Set the cutoff at time `t`: key, envelope, velocity and LFO move it in octaves."""
    e = FILTER_ENV
    for lane in range(LANES):
        x = envelope(
            t,
            gate,
            v[e + 1, lane],
            v[e + 2, lane],
            v[e + 3, lane],
            v[e + 4, lane],
            v[e + 5, lane],
            at_gate_end[lane],
        )
        x *= v[e, lane] + v[e + 6, lane] * note[2]
        x += v[FILTER + 3, lane] * note[1]
        x += swing[lane]
        x = max(v[FILTER, lane] * exp2(x), LOWEST_CUTOFF_HZ)
        controls[CUTOFF, lane] = tan_pi(min(x * exp2(-note[3]), HIGHEST_CUTOFF))
        controls[DRY, lane] = min(max((x - DRY_FROM_HZ) / DRY_SPAN_HZ, ZERO), ONE)


@njit(nogil=True, cache=True, error_model="numpy")
def set_levels(
    v: Float32Array,
    t: np.float32,
    gate: np.float32,
    note: Float32Array,
    at_gate_end: Float32Array,
    controls: Float32Array,
) -> None:
    """Set the levels of amplifier and noise at time `t`."""
    e = AMP_ENV
    for lane in range(LANES):
        x = envelope(
            t,
            gate,
            v[e, lane],
            v[e + 1, lane],
            v[e + 2, lane],
            v[e + 3, lane],
            v[e + 4, lane],
            at_gate_end[lane],
        )
        x *= exp2(v[e + 5, lane] * note[2] * OCTAVES_PER_DB)
        controls[AMP, lane] = x if x > SILENCE else ZERO
        attack, kept = v[NOISE + 1, lane], v[NOISE + 3, lane]
        since = max(t - attack, ZERO)
        x = v[NOISE, lane] * (kept + (ONE - kept) * exp2(-since / v[NOISE + 2, lane] * LOG2_E))
        x = x * t / attack if t < attack else x
        controls[NOISE_AMP, lane] = x if x > SILENCE else ZERO


@njit(nogil=True, cache=True, error_model="numpy")
def prepare_rates(
    v: Float32Array, keys_octaves: np.float32, rate_hz: Float32Array, depth_cents: Float32Array
) -> None:
    """Let LFO rates and depths follow the key."""
    for o in range(2):
        vib = (OSC1, OSC2 + 1)[o] + VIBRATO
        pwm = (OSC1, OSC2 + 1)[o] + PWM
        for lane in range(LANES):
            rate_hz[o, lane] = v[vib, lane] * exp2(v[vib + 3, lane] * keys_octaves)
            depth_cents[o, lane] = v[vib + 1, lane] * exp2(v[vib + 4, lane] * keys_octaves)
            rate_hz[2 + o, lane] = v[pwm, lane] * exp2(v[pwm + 2, lane] * keys_octaves)


@njit(nogil=True, cache=True, error_model="numpy")
def render_controls(
    v: Float32Array,
    start_phases: Float32Array,
    note: Float32Array,
    gate: np.float32,
    block: int,
    controls: Float32Array,
) -> None:
    """Compute the controls of one note for LANES candidates."""
    rate_hz = np.empty((4, LANES), F)
    depth_cents = np.empty((2, LANES), F)
    prepare_rates(v, note[1], rate_hz, depth_cents)
    at_gate_end = np.empty((2, LANES), F)
    for lane in range(LANES):
        e = FILTER_ENV + 1
        at_gate_end[0, lane] = held_envelope(
            gate, v[e, lane], v[e + 1, lane], v[e + 2, lane], v[e + 3, lane]
        )
        e = AMP_ENV
        at_gate_end[1, lane] = held_envelope(
            gate, v[e, lane], v[e + 1, lane], v[e + 2, lane], v[e + 3, lane]
        )
    has_filter_lfo, swing = False, np.zeros(LANES, F)
    for lane in range(LANES):
        has_filter_lfo = has_filter_lfo or v[FILTER_LFO + 1, lane] > ZERO
    phases = start_phases.copy()
    dt = F(block) * exp2(-note[3])
    for i in range(controls.shape[0]):
        t = F(i) * dt
        for o in range(2):  # with 0 and 1 written out it would be compiled twice
            set_oscillator(v, o, t, note, depth_cents, phases, controls[i])
        if has_filter_lfo:
            swing_cutoff(v, t, dt, phases, swing)
        set_filter(v, t, gate, note, at_gate_end[0], swing, controls[i])
        set_levels(v, t, gate, note, at_gate_end[1], controls[i])
        advance_lfos(v, t, dt, rate_hz, phases)
