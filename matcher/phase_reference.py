"""Phases at a reference time in the middle of a note, instead of at its start.

What an oscillator or an LFO does in the body of a note depends on where it is there. Counted
from the start of the note, a pitch envelope of 30 ms moves the beats of the whole body, and
another vibrato rate turns the movement round in its later half. Counted in the middle, the body
stays as it is while the onset changes, and a wrong rate shows half as much at either end.
The voice needs phases at the start: they follow from the turns that were made meanwhile.

Conventions: `voice.control_kernels` (LFOs, delay, rate envelope) and `voice.parts`; the phase of
oscillator 2 counts against that of oscillator 1, so only the turns that it makes more count. That
of oscillator 1 counts where its note would be if it weren't moved on the timeline.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses.note_target import PLACE_CYCLE_S
from shared import CATALOGUE, PHASE_NAMES, FloatArray, midi_to_hz

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["OSC1", "PhaseReference", "phases_at_reference", "phases_at_start"]

# Moments at which the turns are added up, closer together near the start, where pitch envelopes
# are. What the sum misses moves the reference time a little, and nothing else.
N_MOMENTS = 97
RATE_SETTLES_S = 0.5
C4_MIDI = 60.0
CENTS = 1200.0
OSC1, OSC2 = PHASE_NAMES.index("osc1.phase"), PHASE_NAMES.index("osc2.phase")
PLACE = PHASE_NAMES.index("note.place")
# The LFOs: column of their phase, and of rate, key tracking of the rate, envelope on the rate.
LFOS = tuple(
    (i, tuple(f"{name.removesuffix('.phase')}.{end}" for end in ends))
    for i, name in enumerate(PHASE_NAMES)
    if name.endswith(".phase") and i not in {OSC1, OSC2}
    for ends in [("rate_hz", "rate_key_track_ratio", "rate_env_octaves")]
)


@dataclass(frozen=True)
class PhaseReference:
    """When the phases of a note count, in seconds after its start, and the key they turn with."""

    time_s: float
    midi_pitch: float

    @property
    def moments_s(self) -> FloatArray:
        """Moments from the start to the reference time in seconds, shape (N_MOMENTS,)."""
        moments: FloatArray = self.time_s * np.linspace(0.0, 1.0, N_MOMENTS) ** 2
        return moments

    @property
    def key_octaves(self) -> float:
        """Octaves above C4."""
        return (self.midi_pitch - C4_MIDI) / 12.0


def phases_at_start(
    values: FloatArray, phases: FloatArray, reference: PhaseReference, columns: Sequence[int]
) -> FloatArray:
    """Turn phases back from the reference time to the start of the note.

    `columns` are the phases that count at the reference time; the others are at the start already.
    Values have the columns of the catalogue, phases those of `PHASE_NAMES`, in cycles.
    """
    starts = phases.copy()
    for column, turns in _lfo_turns(values, reference).items():
        if column in columns:
            starts[:, column] -= turns[:, -1]
    if OSC2 in columns:
        starts[:, OSC2] -= _oscillator_turns(values, starts, reference) - _carried(values, starts)
    for column, osc in ((OSC1, "osc1"), (OSC2, "osc2")):
        if column in columns:
            starts[:, column] += _turns_to_place(values, phases, osc, reference)
    return _cycles(starts)


def phases_at_reference(
    values: FloatArray, starts: FloatArray, reference: PhaseReference, columns: Sequence[int]
) -> FloatArray:
    """Turn phases on from the start to the reference time; undoes `phases_at_start`."""
    phases = starts.copy()
    for column, osc in ((OSC1, "osc1"), (OSC2, "osc2")):
        if column in columns:
            phases[:, column] -= _turns_to_place(values, starts, osc, reference)
    phases = _cycles(phases)
    if OSC2 in columns:
        phases[:, OSC2] += _oscillator_turns(values, starts, reference) - _carried(values, phases)
    for column, turns in _lfo_turns(values, reference).items():
        if column in columns:
            phases[:, column] += turns[:, -1]
    return _cycles(phases)


def _turns_to_place(
    values: FloatArray, phases: FloatArray, osc: str, reference: PhaseReference
) -> FloatArray:
    """Count the turns of an oscillator in what its note is placed later, (n_candidates,).

    So its wave stays where it is on the timeline, and only what the key sets off moves: with
    both, the loss had a valley for each cycle.
    """
    octaves = _column(values, f"{osc}.octave") + _column(values, "tune_cents") / CENTS
    later_s = PLACE_CYCLE_S * (np.mod(phases[:, PLACE] + 0.5, 1.0) - 0.5)
    turns: FloatArray = float(midi_to_hz(reference.midi_pitch)) * 2.0**octaves * later_s
    return turns


def _lfo_turns(values: FloatArray, reference: PhaseReference) -> dict[int, FloatArray]:
    """Count the turns of each LFO at each moment, (n_candidates, N_MOMENTS) by its column."""
    settling = np.exp(-reference.moments_s / RATE_SETTLES_S)
    turns = {}
    for column, (rate, key_track, rate_env) in LFOS:
        rate_hz = _column(values, rate)[:, None] * 2.0 ** (
            _column(values, key_track)[:, None] * reference.key_octaves
        )
        rates_hz = rate_hz * 2.0 ** (_column(values, rate_env)[:, None] * settling)
        turns[column] = _added_up(rates_hz, reference)
    return turns


def _oscillator_turns(
    values: FloatArray, starts: FloatArray, reference: PhaseReference
) -> FloatArray:
    """Count what oscillator 2 turns more than 1 up to the reference time, (n_candidates,).

    What both octaves would make anyhow is no difference between them.
    """
    lfo_turns = _lfo_turns(values, reference)
    octaves = [
        (
            _bend_cents(values, osc, reference)
            + _vibrato_cents(values, osc, starts, lfo_turns, reference)
        )
        / CENTS
        for osc in ("osc1", "osc2")
    ]
    octaves[1] = octaves[1] + _column(values, "osc2.detune_cents")[:, None] / CENTS
    highest = float(midi_to_hz(reference.midi_pitch)) * 2.0 ** (
        _column(values, "osc2.octave") + _column(values, "tune_cents") / CENTS
    )
    more = 2.0 ** octaves[1] - 2.0 ** octaves[0]
    turns: FloatArray = highest * _added_up(more, reference)[:, -1]
    return turns


def _carried(values: FloatArray, starts: FloatArray) -> FloatArray:
    """Count the turns of oscillator 2 while oscillator 1 comes to where it starts from.

    Where both move on together, neither their beats nor their sum changes.
    """
    octaves = _column(values, "osc2.octave") - _column(values, "osc1.octave")
    turns: FloatArray = starts[:, OSC1] * 2.0**octaves
    return turns


def _bend_cents(values: FloatArray, osc: str, reference: PhaseReference) -> FloatArray:
    """Cents of a pitch envelope at each moment, shape (n_candidates, N_MOMENTS)."""
    depth, attack_s, decay_s = (
        _column(values, f"{osc}.pitch_env.{end}")[:, None]
        for end in ("depth_cents", "attack_s", "decay_s")
    )
    t = reference.moments_s
    falling = np.exp(-np.maximum(t - attack_s, 0.0) / decay_s)
    rising = t / np.maximum(attack_s, 1e-9)
    cents: FloatArray = depth * np.where(t < attack_s, rising, falling)
    return cents


def _vibrato_cents(
    values: FloatArray,
    osc: str,
    starts: FloatArray,
    lfo_turns: dict[int, FloatArray],
    reference: PhaseReference,
) -> FloatArray:
    """Cents of a vibrato at each moment, shape (n_candidates, N_MOMENTS)."""
    column = PHASE_NAMES.index(f"{osc}.vibrato.phase")
    depth, delay_s, key_track = (
        _column(values, f"{osc}.vibrato.{end}")[:, None]
        for end in ("depth_cents", "delay_s", "depth_key_track_ratio")
    )
    t = reference.moments_s
    fading = np.clip(2.0 * t / np.maximum(delay_s, 1e-9) - 1.0, 0.0, 1.0)
    swing = np.sin(2.0 * np.pi * (starts[:, column, None] + lfo_turns[column]))
    cents: FloatArray = depth * 2.0 ** (key_track * reference.key_octaves) * fading * swing
    return cents


def _added_up(speeds: FloatArray, reference: PhaseReference) -> FloatArray:
    """Integrate over the moments by the trapezoidal rule, shape (n_candidates, N_MOMENTS)."""
    steps_s = np.diff(reference.moments_s)
    pieces = 0.5 * (speeds[:, 1:] + speeds[:, :-1]) * steps_s
    # One after the other: a pairwise sum may come out otherwise for another number of rows.
    turns = np.zeros_like(speeds)
    np.cumsum(pieces, axis=1, out=turns[:, 1:])
    return turns


def _column(values: FloatArray, name: str) -> FloatArray:
    """Take the values of one parameter; zeros if there is no such parameter."""
    if name not in CATALOGUE:
        return np.zeros(len(values))
    column: FloatArray = values[:, CATALOGUE.index(name)]
    return column


def _cycles(phases: FloatArray) -> FloatArray:
    """Hold phases to 0 up to, but not including, 1."""
    held: FloatArray = np.mod(phases, 1.0)
    # A tiny negative number comes out as 1.
    held[held >= 1.0] = 0.0
    return held
