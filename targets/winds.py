"""Brass section, muted lead and reed of the demo pit, made partial by partial.

In brass the upper partials rise later and more steeply than the lower ones, and a loud tone is
brighter than a soft one (Risset & Mathews, "Analysis of musical-instrument tones", Physics Today
22(2), 1969, from memory). So brightness follows the effort of the player here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shared.units import db_to_amplitude
from targets.bodies import band, formants, noise_of, ripple
from targets.partials import Dice, breath, drift, fading, ramp, swing, tone, wavering

if TYPE_CHECKING:
    from shared.types import FloatArray
    from targets.bodies import Peak
    from targets.partials import Take

N_BRASS = 4
# The lead player is this much above each other one: equals would cancel each other by chance.
LEAD_DB = 9.0
# Bell and mouthpiece lift the middle (common practice, no source).
BELL: tuple[Peak, ...] = ((480.0, 0.7, 3.0), (1_300.0, 0.6, 2.5))
# A cup in the bell: weak bass, a nasal lift, a hollow, a bright rest (common practice).
MUTE: tuple[Peak, ...] = (
    (330.0, 0.8, -9.0),
    (1_250.0, 0.35, 5.0),
    (1_950.0, 0.22, -7.0),
    (2_900.0, 0.35, 6.0),
)
MUTE_TOP_HZ = 6_500.0
# Odd and even partials become alike above the cutoff of the row of open tone holes (Benade,
# "Fundamentals of Musical Acoustics", 1976, from memory).
TONE_HOLE_CUTOFF_HZ = 1_500.0


def strength_of(take: Take) -> float:
    """Return the effort that a velocity asks for: 0.3 at 0, 1 at 100 (by ear, no source)."""
    return 0.3 + 0.7 * take.note.velocity / 100.0


def brass_levels(places_hz: FloatArray, effort: FloatArray) -> FloatArray:
    """Return the levels of brass partials for the effort of the player."""
    corner_hz = 330.0 * np.power(1_700.0 / 330.0, effort)
    order = 2.0 - 0.95 * np.minimum(effort, 1.1)
    levels: FloatArray = effort**1.3 * (1.0 + (places_hz / corner_hz) ** 2) ** -order
    return levels


def brass_section(take: Take) -> FloatArray:
    """Play a short accented stab on four brass instruments in unison."""
    players = Dice(take.instrument, "brass")
    detune_cents = players.uniform(-6.0, 6.0, N_BRASS - 1)
    detune_cents -= detune_cents.mean()
    signal = db_to_amplitude(LEAD_DB) * _brass_player(take, 0, 0.0)
    for player, cents in enumerate(detune_cents, start=1):
        signal += _brass_player(take, player, float(cents))
    return signal


def _brass_player(take: Take, player: int, detune_cents: float) -> FloatArray:
    """Play one brass instrument of the section."""
    dice = take.dice("player", player)
    # Nobody starts together; the first player is the one whom the others follow.
    times_s = take.times_s - (dice.one(0.003, 0.014) if player else 0.0)
    number = take.harmonics(17_000.0, 64)
    # The air column answers first in its low modes: about 1.3 ms for each partial.
    lag_s = 0.0013 * np.minimum(number - 1.0, 16.0)[:, None]
    rough = drift(dice, times_s, bandwidth_hz=45.0) * fading(times_s, 0.04)
    alive = 1.0 + 0.07 * rough + 0.015 * drift(dice, times_s, bandwidth_hz=6.0)
    effort = np.maximum(_stab_effort(take, times_s - lag_s) * alive, 0.0)
    places_hz = take.pitch_hz * number[:, None]
    levels = brass_levels(places_hz, effort)
    levels *= formants(places_hz, (*BELL, *ripple(take.instrument, player, depth_db=1.8)))
    levels *= wavering(dice, times_s, number.size, shimmer_db=1.2)
    # Lips find the note from below.
    cents = detune_cents - 65.0 * strength_of(take) * fading(times_s, 0.032)
    cents += 7.0 * rough + 2.5 * drift(dice, times_s, bandwidth_hz=4.0)
    lips = tone(
        take, dice, cents, levels, ratios=number, wander_cents=0.8, phases_cycles=(0.19, 0.31)
    )
    return lips + _tongue(take, dice, times_s, effort[0])


def _stab_effort(take: Take, times_s: FloatArray) -> FloatArray:
    """Return an accented effort: harder is faster, with more of a peak at the front."""
    strength = strength_of(take)
    attack_s = 0.055 - 0.026 * strength
    plateau = breath(times_s, gate_s=take.note.gate_s, attack_s=attack_s, release_s=0.045)
    sustain = 0.90 - 0.12 * strength
    accent = fading(times_s - attack_s, 0.09)
    effort: FloatArray = strength * plateau * (sustain + (1.0 - sustain) * accent)
    return effort


def _tongue(take: Take, dice: Dice, times_s: FloatArray, effort: FloatArray) -> FloatArray:
    """Return the air of a brass player: a burst at the tongue, then a steady breath."""
    since_s = np.maximum(times_s, 0.0)
    burst = since_s / 0.006 * np.exp(1.0 - since_s / 0.006)
    level = 0.008 * effort**1.5 + 0.022 * burst * effort.max() ** 1.5
    return noise_of(
        take, dice, level, lambda hz: band(hz, low_hz=900.0, high_hz=4_500.0, order=2.0)
    )


def muted_lead(take: Take) -> FloatArray:
    """Play one trumpet with a cup mute: straight at first, with a late vibrato."""
    dice = take.dice("player")
    times_s = take.times_s
    number = take.harmonics(17_000.0, 40)
    late = ramp(times_s, 0.7, 1.3)
    rate_hz = 5.2 + 0.5 * late + 0.12 * drift(dice, times_s, bandwidth_hz=1.5)
    vibrato = late * swing(times_s, rate_hz, 0.0)
    alive = 1.0 + 0.035 * vibrato + 0.012 * drift(dice, times_s, bandwidth_hz=7.0)
    lag_s = 0.0014 * np.minimum(number - 1.0, 16.0)[:, None]
    effort = np.maximum(_held_effort(take, times_s - lag_s) * alive, 0.0)
    places_hz = take.pitch_hz * number[:, None]
    levels = brass_levels(places_hz, effort) / (1.0 + (places_hz / MUTE_TOP_HZ) ** 2)
    levels *= formants(places_hz, (*MUTE, *ripple(take.instrument, "mute", depth_db=1.5)))
    levels *= wavering(dice, times_s, number.size, shimmer_db=1.0)
    cents = 24.0 * vibrato - 60.0 * fading(times_s, 0.045)
    cents += 2.2 * drift(dice, times_s, bandwidth_hz=3.0)
    lips = tone(
        take, dice, cents, levels, ratios=number, wander_cents=0.6, phases_cycles=(0.19, 0.31)
    )
    return lips + 0.5 * _tongue(take, dice, times_s, effort[0])


def _held_effort(take: Take, times_s: FloatArray) -> FloatArray:
    """Return the effort of a held note: it leans into its middle, as a singer's does."""
    gate_s = take.note.gate_s
    line = 0.86 + 0.14 * np.sin(np.pi * np.clip(times_s / gate_s, 0.0, 1.0))
    effort: FloatArray = line * breath(times_s, gate_s=gate_s, attack_s=0.06, release_s=0.06)
    return strength_of(take) * effort


def reed_levels(places_hz: FloatArray, effort: FloatArray) -> FloatArray:
    """Return the levels of clarinet-like partials for the effort of the player."""
    number = np.round(places_hz / places_hz[0])
    holes = 1.0 / (1.0 + (places_hz / TONE_HOLE_CUTOFF_HZ) ** 2)
    even_db = -30.0 + 7.5 * np.minimum(np.log2(number), 3.2)
    even = np.where(number % 2 == 0, db_to_amplitude(even_db), 1.0)
    # Blown hard, the reed shuts in each cycle; blown softly, it swings nearly as a sine.
    steepness = 1.0 + 0.16 * np.minimum(number - 1.0, 9.0)
    levels: FloatArray = even * holes * number**-0.55 * np.power(effort, steepness)
    return levels


def reed_solo(take: Take) -> FloatArray:
    """Play one clarinet-like reed: soft start, swell, a touch of vibrato at the end."""
    dice = take.dice("player")
    times_s = take.times_s
    number = take.harmonics(15_000.0, 32)
    vibrato = ramp(times_s, 0.9, 1.5) * swing(times_s, np.full(times_s.size, 4.7), 0.0)
    alive = 1.0 + 0.05 * vibrato + 0.015 * drift(dice, times_s, bandwidth_hz=8.0)
    lag_s = 0.002 * np.minimum(number - 1.0, 14.0)[:, None]
    effort = np.maximum(_swell_effort(take, times_s - lag_s) * alive, 0.0)
    places_hz = take.pitch_hz * number[:, None]
    levels = reed_levels(places_hz, effort)
    levels *= formants(places_hz, ripple(take.instrument, "bore", depth_db=1.5))
    levels *= wavering(dice, times_s, number.size, shimmer_db=1.1)
    cents = 4.0 * vibrato - 14.0 * fading(times_s, 0.05)
    cents += 1.8 * drift(dice, times_s, bandwidth_hz=2.5)
    reed = tone(
        take, dice, cents, levels, ratios=number, wander_cents=0.5, phases_cycles=(0.0, 0.15)
    )
    return reed + _reed_air(take, dice, effort[0])


def _swell_effort(take: Take, times_s: FloatArray) -> FloatArray:
    """Return an effort that grows by two thirds and goes back."""
    gate_s = take.note.gate_s
    place = np.clip(times_s / gate_s, 0.0, 1.0)
    swell = 0.6 + 0.4 * np.sin(np.pi * place**1.3) ** 1.5
    effort: FloatArray = swell * breath(times_s, gate_s=gate_s, attack_s=0.07, release_s=0.05)
    return strength_of(take) * effort


def _reed_air(take: Take, dice: Dice, effort: FloatArray) -> FloatArray:
    """Return breath at the mouthpiece, and the knock of keys at either end of the note."""
    knock = np.zeros_like(effort)
    for start_s, loudness in ((0.0, 0.015), (take.note.gate_s + 0.03, 0.010)):
        since_s = take.times_s - start_s
        knock += loudness * (since_s >= 0.0) * fading(since_s, 0.006)
    air = noise_of(
        take, dice, 0.008 * effort, lambda hz: band(hz, low_hz=1e3, high_hz=5e3, order=2.0)
    )
    wood = noise_of(
        take, dice, knock, lambda hz: band(hz, low_hz=350.0, high_hz=1_400.0, order=3.0)
    )
    return air + wood
