"""Targets that our own voice has played: their answer lies inside what is searched."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matcher.target import Target, target_from_signal
from voice import render

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["BRASS", "GATE_S", "RATE_HZ", "own_target"]

# Half the usual rate and short notes: a search of some hundred candidates takes a second.
RATE_HZ = 22_050
GATE_S = 0.25
BRASS: Mapping[str, float] = {
    "osc1.saw_level": 1.0,
    "osc2.saw_level": 0.7,
    "osc2.detune_cents": 8.0,
    "filter.cutoff_hz": 400.0,
    "filter.resonance_ratio": 0.2,
    "filter_env.depth_octaves": 3.0,
    "filter_env.attack_s": 0.03,
    "filter_env.decay_s": 0.1,
    "filter_env.sustain_ratio": 0.6,
    "amp_env.attack_s": 0.02,
    "amp_env.decay_s": 0.2,
    "amp_env.sustain_ratio": 0.7,
    "amp_env.release_s": 0.06,
}


def own_target(
    *midi_pitches: float,
    values: Mapping[str, float] = BRASS,
    velocities: tuple[int, ...] = (100,),
    phases: Mapping[str, float] | None = None,
    gate_s: float = GATE_S,
) -> Target:
    """Return a target of notes that a patch of ours plays."""
    notes = []
    for i, midi_pitch in enumerate(midi_pitches or (60.0,)):
        velocity = velocities[i % len(velocities)]
        signal = render(
            values,
            midi_pitch=midi_pitch,
            velocity=velocity,
            gate_s=gate_s,
            duration_s=gate_s + 0.2,
            sample_rate_hz=RATE_HZ,
            phases=phases,
        )
        notes.append(
            target_from_signal(
                signal,
                RATE_HZ,
                name=f"note{i}",
                midi_pitch=midi_pitch,
                velocity=velocity,
                gate_s=gate_s,
            )
        )
    return Target(tuple(notes))
