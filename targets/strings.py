"""String pad, plucked gut and hollow pad of the demo pit, made partial by partial."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shared.units import cents_to_ratio, db_to_amplitude, octaves_to_ratio
from targets.bodies import band, formants, noise_of, ripple
from targets.partials import Dice, breath, drift, drifts, fading, ramp, swing, tone, wavering

if TYPE_CHECKING:
    from shared.types import FloatArray
    from targets.bodies import Peak
    from targets.partials import Take

# Air mode, wood modes and bridge hill of the fiddle family, widened over a section (after
# Fletcher & Rossing, "The Physics of Musical Instruments", 1998, from memory).
BODY: tuple[Peak, ...] = (
    (280.0, 0.16, 5.0),
    (470.0, 0.18, 5.0),
    (1_000.0, 0.3, -3.0),
    (2_500.0, 0.45, 5.0),
)
# The first regions of a small soundboard (common practice, no source).
SOUNDBOARD: tuple[Peak, ...] = ((190.0, 0.3, 4.0), (420.0, 0.3, 3.0), (2_000.0, 0.6, -3.0))
N_DESKS = 6
# The leader is this much above each other player, so that there is one vibrato to follow.
LEADER_DB = 11.0
# Where along the string the finger pulls, and how stiff the string is: f_n = n f_1 sqrt(1 + B n^2)
# (Fletcher & Rossing 1998; a nylon or gut string has B near 1e-4, from memory).
PLUCK_PLACE_RATIO = 0.19
STIFFNESS = 7e-5
# Levels of the eleven partials of a blown jug: mostly odd ones (by ear, no source).
JUG_DB = (0.0, -27.0, -9.0, -36.0, -17.0, -42.0, -25.0, -48.0, -34.0, -54.0, -42.0)


def vibrato_of(midi_pitch: float) -> tuple[float, float]:
    """Return the vibrato of the string section at a pitch."""
    octaves = (midi_pitch - 60.0) / 12.0
    return 5.2 * octaves_to_ratio(0.25 * octaves), 17.0 * octaves_to_ratio(-0.7 * octaves)


def string_pad(take: Take) -> FloatArray:
    """Play a small string section with a slow bow."""
    players = Dice(take.instrument, "players")
    detune_cents = players.uniform(-9.0, 9.0, N_DESKS - 1)
    detune_cents -= detune_cents.mean()
    signal = db_to_amplitude(LEADER_DB) * _desk(take, 0, 0.0)
    for player, cents in enumerate(detune_cents, start=1):
        signal += _desk(take, player, float(cents))
    return signal


def _finger_cents(take: Take, dice: Dice, times_s: FloatArray) -> FloatArray:
    """Return vibrato and wandering of one player's finger, in cents."""
    rate_hz, depth_cents = vibrato_of(take.note.midi_pitch)
    own_hz = rate_hz * dice.one(0.96, 1.04) * (1.0 + 0.03 * drift(dice, times_s, bandwidth_hz=1.0))
    own_cents = depth_cents * dice.one(0.85, 1.15) * ramp(times_s, 0.15, 0.6)
    vibrato = own_cents * swing(times_s, own_hz, dice.one(0.0, 1.0))
    cents: FloatArray = vibrato + 1.5 * drift(dice, times_s, bandwidth_hz=2.0)
    return cents


def _desk(take: Take, player: int, detune_cents: float) -> FloatArray:
    """Play one bowed string of the section."""
    dice = take.dice("desk", player)
    times_s = take.times_s - (dice.one(0.005, 0.045) if player else 0.0)
    number = take.harmonics(14_000.0, 100)
    lag_s = 0.002 * np.minimum(number - 1.0, 25.0)[:, None]
    bow = breath(times_s - lag_s, gate_s=take.note.gate_s, attack_s=0.30, release_s=0.11)
    bow *= 1.0 + 0.06 * drift(dice, times_s, bandwidth_hz=3.0)
    cents = detune_cents + _finger_cents(take, dice, times_s)
    places_hz = take.pitch_hz * number[:, None] * cents_to_ratio(cents)
    # Helmholtz motion: a sawtooth force at the bridge; the width of the bow rounds its corner.
    levels = bow / number[:, None] * (1.0 + (places_hz / 4_200.0) ** 2) ** -1.2
    levels *= formants(places_hz, (*BODY, *ripple(take.instrument, player, depth_db=4.0)))
    levels *= wavering(dice, times_s, number.size, shimmer_db=1.5)
    string = tone(
        take, dice, cents, levels, ratios=number, wander_cents=0.7, phases_cycles=(-0.1, 0.1)
    )
    return string + _rosin(take, dice, times_s, bow[0])


def _rosin(take: Take, dice: Dice, times_s: FloatArray, bow: FloatArray) -> FloatArray:
    """Return the noise of bow hair, strongest while the string has not settled."""
    level = 0.012 * bow + 0.006 * ramp(times_s, 0.0, 0.02) * fading(times_s, 0.12)
    return noise_of(take, dice, level, _rosin_colour)


def _rosin_colour(frequency_hz: FloatArray) -> FloatArray:
    """Return rubbing noise as the body lets it out."""
    rubbing = band(frequency_hz, low_hz=700.0, high_hz=5_500.0, order=1.5)
    return rubbing * formants(frequency_hz, BODY)


def gut_pluck(take: Take) -> FloatArray:
    """Pluck one gut string of a lap harp, and damp it at the end of the gate."""
    times_s = take.times_s
    number = take.harmonics(15_000.0, 60)
    ratios = number * np.sqrt(1.0 + STIFFNESS * number**2)
    decay_s = 1.1 / (1.0 + (take.pitch_hz * ratios / 700.0) ** 1.3)
    start = _pulled_string(take, number)
    # A string that swings widely is longer, hence sharper.
    wide_cents = 6.0 * take.note.velocity / 100.0 * fading(times_s, 0.06)
    signal = np.zeros(take.n_samples)
    for plane, (share, cents, longer) in enumerate(((1.0, -0.6, 1.0), (0.35, 1.7, 1.7))):
        levels = share * start[:, None] * _ringing(take, longer * decay_s)
        signal += tone(
            take,
            take.dice("plane", plane),
            cents + wide_cents,
            levels,
            ratios=ratios,
            wander_cents=0.3,
            phases_cycles=(0.0, 1.0),
        )
    return signal + _fingers(take)


def _pulled_string(take: Take, number: FloatArray) -> FloatArray:
    """Return the levels at the start: sin(pi n p) / n as force of a string pulled at p."""
    places_hz = take.pitch_hz * number
    nail_hz = 900.0 + 1_500.0 * take.note.velocity / 100.0
    pulled = np.abs(np.sin(np.pi * number * PLUCK_PLACE_RATIO)) + 0.03
    levels: FloatArray = pulled / number * (1.0 + (places_hz / nail_hz) ** 2) ** -0.75
    modes = (*SOUNDBOARD, *ripple(take.instrument, "board", depth_db=2.5))
    return levels * formants(places_hz, modes)


def _ringing(take: Take, decay_s: FloatArray) -> FloatArray:
    """Return free decays that the hand damps after the gate, shape=(n_partials, n_control)."""
    times_s = take.times_s
    free = np.exp(-np.maximum(times_s, 0.0) / decay_s[:, None])
    ringing: FloatArray = ramp(times_s, 0.0, 0.004) * free * _hand(take, 0.055)
    return ringing


def _hand(take: Take, decay_s: float) -> FloatArray:
    """Return 1 during the gate, then the decay under a damping hand."""
    return fading(take.times_s - take.note.gate_s, decay_s)


def _fingers(take: Take) -> FloatArray:
    """Return the nail on the string, the knock of the soundboard and the damping hand."""
    dice = take.dice("fingers")
    times_s = take.times_s
    struck = take.note.velocity / 100.0 * (times_s >= 0.0)
    landed = (times_s >= take.note.gate_s).astype(np.float64)
    nail = 0.10 * struck * fading(times_s, 0.004)
    knock = 0.12 * struck * fading(times_s, 0.025) + 0.012 * landed * _hand(take, 0.03)
    click = noise_of(take, dice, nail, lambda hz: band(hz, low_hz=1_200.0, high_hz=5e3, order=2.0))
    thump = noise_of(
        take, dice, knock, lambda hz: band(hz, low_hz=110.0, high_hz=420.0, order=3.0)
    )
    return click + thump


def hollow_pad(take: Take) -> FloatArray:
    """Blow three stoneware jugs: few partials, much air, slowly beating."""
    first = _jug(take, 0, 0.0)
    return first + 0.4 * (_jug(take, 1, -7.0) + _jug(take, 2, 7.0))


def _jug(take: Take, player: int, detune_cents: float) -> FloatArray:
    """Blow one jug: mostly odd partials, with air that flutters along with each of them."""
    dice = take.dice("jug", player)
    times_s = take.times_s - (dice.one(0.01, 0.06) if player else 0.0)
    number = np.arange(1.0, 1.0 + len(JUG_DB))[:, None]
    lag_s = 0.018 * (number - 1.0)
    effort = breath(times_s - lag_s, gate_s=take.note.gate_s, attack_s=0.42, release_s=0.14)
    # Upper partials open and close about every second and a half, in each jug's own time.
    slow = swing(times_s, np.full(times_s.size, 0.65), dice.one(0.0, 1.0))
    sway_db = 0.9 * np.minimum(number - 1.0, 5.0) * slow
    start_db = np.array(JUG_DB) + dice.uniform(-2.0, 2.0, number.size)
    airy = 0.05 + 0.05 * take.note.velocity / 100.0
    flutter = airy * np.sqrt(number) * drifts(dice, times_s, number.size, bandwidth_hz=28.0)
    levels = effort * db_to_amplitude(start_db[:, None] + sway_db) * (1.0 + flutter)
    cents = detune_cents - 25.0 * fading(times_s, 0.12)
    cents += 2.0 * drift(dice, times_s, bandwidth_hz=1.5)
    jug = tone(
        take, dice, cents, levels, ratios=number[:, 0], wander_cents=1.0, phases_cycles=(0.0, 1.0)
    )
    lip_hz = 0.7 * take.pitch_hz
    air = 0.2 * airy * effort[0]
    return jug + noise_of(
        take, dice, air, lambda hz: band(hz, low_hz=lip_hz, high_hz=2_400.0, order=1.5)
    )
