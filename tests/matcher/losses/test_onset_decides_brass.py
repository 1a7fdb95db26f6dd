"""The front edge decides brass: what a quick pitch envelope and the attack do to the terms.

A pitch envelope on one oscillator does two things. While it lasts it bends the front edge; after
it, the oscillator is some cycles ahead or behind, so the two beat with other phases for the rest
of the note, as if the note had been struck at another moment. The second thing is a nuisance
phase, which every match searches. So notes are compared here whose bodies beat alike: the phase
of oscillator 2 makes up for the cycles that the envelope takes.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.losses import NoteTarget, breakdown
from shared import midi_to_hz
from tests.matcher.losses.one_sound import score
from voice import render
from voice.parts import pitch_envelope_cents

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import FloatArray

RATE_HZ = 44_100
GATE_S = 0.9
PHASE = 0.25

BRASS: Mapping[str, float] = {
    "osc1.saw_level": 1.0,
    "osc2.saw_level": 0.8,
    "osc2.detune_cents": 7.0,
    "filter.cutoff_hz": 500.0,
    "filter.resonance_ratio": 0.1,
    "filter_env.depth_octaves": 2.6,
    "filter_env.attack_s": 0.06,
    "filter_env.decay_s": 0.25,
    "filter_env.sustain_ratio": 0.55,
    "amp_env.attack_s": 0.035,
    "amp_env.decay_s": 0.4,
    "amp_env.sustain_ratio": 0.75,
    "amp_env.release_s": 0.08,
}
PATCHES: Mapping[str, Mapping[str, float]] = {
    "brass": BRASS,
    "hard": {
        **BRASS,
        "osc2.detune_cents": 5.0,
        "filter.cutoff_hz": 300.0,
        "filter.resonance_ratio": 0.25,
        "filter_env.depth_octaves": 3.5,
        "filter_env.attack_s": 0.02,
        "amp_env.attack_s": 0.01,
    },
    "pulse": {
        **BRASS,
        "osc2.saw_level": 0.0,
        "osc2.pulse_level": 0.7,
        "osc2.pulse_width_ratio": 0.35,
        "osc2.detune_cents": 4.0,
        "filter.resonance_ratio": 0.3,
    },
}
NOTES = [("brass", 46.0), ("hard", 70.0), ("pulse", 58.0)]
NONE: Mapping[str, float] = {}
DIP = {"osc2.pitch_env.depth_cents": -300.0, "osc2.pitch_env.decay_s": 0.05}
SCOOP = {"osc1.pitch_env.depth_cents": 500.0, "osc1.pitch_env.decay_s": 0.02}
CHANGES = {
    "added": (NONE, DIP),
    "added above": (
        NONE,
        {"osc2.pitch_env.depth_cents": 200.0, "osc2.pitch_env.decay_s": 0.03},
    ),
    "added on the other": (
        NONE,
        {"osc1.pitch_env.depth_cents": -600.0, "osc1.pitch_env.decay_s": 0.02},
    ),
    "removed": (SCOOP, NONE),
    "half as deep": (DIP, {**DIP, "osc2.pitch_env.depth_cents": -150.0}),
    "twice as quick": (DIP, {**DIP, "osc2.pitch_env.decay_s": 0.025}),
}


def cycles_ahead(values: Mapping[str, float], osc: str, midi_pitch: float) -> float:
    """Integrate what a pitch envelope adds to the phase of an oscillator, in cycles."""
    depth_cents = values.get(f"{osc}.pitch_env.depth_cents", 0.0)
    decay_s = values.get(f"{osc}.pitch_env.decay_s", 0.03)
    step_s = 1e-4
    times_s = (np.arange(6_000) + 0.5) * step_s
    cents = pitch_envelope_cents(
        times_s, depth_cents=depth_cents, attack_s=0.0005, decay_s=decay_s
    )
    hz = float(midi_to_hz(midi_pitch)) * detune_ratio(values, osc)
    return float(np.sum(2.0 ** (cents / 1200.0) - 1.0)) * hz * step_s


def detune_ratio(values: Mapping[str, float], osc: str) -> float:
    """Return the frequency of an oscillator over that of oscillator 1."""
    return 2.0 ** (values["osc2.detune_cents"] / 1200.0) if osc == "osc2" else 1.0


def osc2_ahead(values: Mapping[str, float], midi_pitch: float) -> float:
    """Return by how many cycles oscillator 2 gets ahead of where oscillator 1 takes the note."""
    by_osc1 = cycles_ahead(values, "osc1", midi_pitch) * detune_ratio(values, "osc2")
    return cycles_ahead(values, "osc2", midi_pitch) - by_osc1


@cache
def played(patch: str, midi_pitch: float, phase: float, *changes: tuple[str, float]) -> FloatArray:
    """Render a patch with changes."""
    return render(
        {**PATCHES[patch], **dict(changes)},
        midi_pitch=midi_pitch,
        gate_s=GATE_S,
        duration_s=GATE_S + 0.2,
        sample_rate_hz=RATE_HZ,
        phases={"osc2.phase": phase % 1.0},
    )


def pair(
    patch: str,
    midi_pitch: float,
    before: Mapping[str, float],
    after: Mapping[str, float],
    *,
    same_body: bool = True,
) -> tuple[FloatArray, FloatArray]:
    """Render a note before and after a change of its pitch envelope."""
    first, second = ({**PATCHES[patch], **values} for values in (before, after))
    makes_up = osc2_ahead(first, midi_pitch) - osc2_ahead(second, midi_pitch)
    phases = PHASE, PHASE + (makes_up if same_body else 0.0)
    return (
        played(patch, midi_pitch, phases[0], *before.items()),
        played(patch, midi_pitch, phases[1], *after.items()),
    )


@cache
def target_of(patch: str, midi_pitch: float, *changes: tuple[str, float]) -> NoteTarget:
    """Return a note as a target."""
    signal = played(patch, midi_pitch, PHASE, *changes)
    return NoteTarget(signal, sample_rate_hz=RATE_HZ, midi_pitch=midi_pitch, gate_s=GATE_S)


def terms(target: NoteTarget, sound: FloatArray) -> Mapping[str, float]:
    """Return the scaled terms of a sound."""
    return breakdown(score(target, sound)).terms


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize(("patch", "midi_pitch"), NOTES)
def test_a_quick_pitch_envelope_moves_the_onset_most(
    patch: str, midi_pitch: float, change: str
) -> None:
    """Added, removed or changed on one oscillator: no other term moves as far."""
    before, after = CHANGES[change]
    _, sound = pair(patch, midi_pitch, before, after)
    found = terms(target_of(patch, midi_pitch, *before.items()), sound)
    assert found["onset"] == max(found.values())
    # One just-noticeable difference and more: the search can't overlook it.
    assert found["onset"] > 1.0


def attacked(patch: str, midi_pitch: float, attack_s: float) -> FloatArray:
    """Render a patch with another attack."""
    return played(patch, midi_pitch, PHASE, ("amp_env.attack_s", attack_s))


@pytest.mark.parametrize(("patch", "midi_pitch"), NOTES)
def test_an_attack_of_25_ms_is_told_from_one_of_10_ms(patch: str, midi_pitch: float) -> None:
    """By the onset most of all, and clearly more than a change that nobody hears, half a ms.

    Also where two oscillators beat, and a slow filter hides the amplifier's attack.
    """
    target = target_of(patch, midi_pitch, ("amp_env.attack_s", 0.01))
    heard = terms(target, attacked(patch, midi_pitch, 0.025))
    unheard = terms(target, attacked(patch, midi_pitch, 0.0105))
    assert heard["onset"] == max(heard.values())
    assert heard["onset"] > 2.0 * unheard["onset"]
    # Just under one just-noticeable difference only where the filter takes longer than both.
    assert heard["onset"] > 0.6
