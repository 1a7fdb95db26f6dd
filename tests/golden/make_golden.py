"""Golden numbers: what a few fixed patches sound like, to compare versions of numpy and numba.

``python -m tests.golden.make_golden`` writes `numbers.json` anew, with the versions that made it;
do that only when the voice or the losses are meant to change, in a commit of its own.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.losses import PARTS, NoteScorer, NoteTarget
from matcher.result import software_versions
from shared import write_atomic
from voice import render

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import FloatArray

__all__ = ["NUMBERS", "PATCHES", "REFERENCE", "scores_of", "sound_numbers", "sound_of"]

NUMBERS = Path(__file__).with_name("numbers.json")
RATE_HZ = 44_100
N_SAMPLES = 64
# The others are scored against this one.
REFERENCE = "brass"
# Each part of the voice is at work in one of them; keys and velocities differ.
PATCHES: Mapping[str, tuple[float, int, Mapping[str, float]]] = {
    "brass": (
        60.0,
        110,
        {
            "osc1.saw_level": 1.0,
            "osc2.saw_level": 0.8,
            "osc2.detune_cents": 7.0,
            "osc2.pitch_env.depth_cents": -180.0,
            "osc2.pitch_env.decay_s": 0.06,
            "filter.cutoff_hz": 500.0,
            "filter.resonance_ratio": 0.2,
            "filter_env.depth_octaves": 3.0,
            "filter_env.attack_s": 0.03,
            "filter_env.decay_s": 0.3,
            "filter_env.sustain_ratio": 0.5,
            "amp_env.attack_s": 0.02,
            "amp_env.release_s": 0.1,
        },
    ),
    "strings": (
        67.0,
        80,
        {
            "osc1.pulse_level": 1.0,
            "osc1.pulse_width_ratio": 0.4,
            "osc1.pwm.rate_hz": 0.7,
            "osc1.pwm.depth_ratio": 0.2,
            "osc2.pulse_level": 0.7,
            "osc2.pwm.rate_hz": 1.1,
            "osc2.pwm.depth_ratio": 0.15,
            "osc1.vibrato.rate_hz": 5.5,
            "osc1.vibrato.depth_cents": 12.0,
            "osc1.vibrato.delay_s": 0.2,
            "filter.cutoff_hz": 3000.0,
            "filter.slope_db_per_octave": 12.0,
            "amp_env.attack_s": 0.15,
        },
    ),
    "driven": (
        36.0,
        127,
        {
            "osc1.saw_level": 1.0,
            "osc1.triangle_level": 0.5,
            "osc2.octave": -1.0,
            "osc2.pulse_level": 1.0,
            "filter.cutoff_hz": 900.0,
            "filter.resonance_ratio": 0.9,
            "filter.drive_db": 12.0,
            "filter.key_track_ratio": 0.5,
            "highpass.cutoff_hz": 120.0,
        },
    ),
    "breath": (
        76.5,
        50,
        {
            "osc1.triangle_level": 1.0,
            "noise.level": 0.3,
            "noise.decay_s": 0.4,
            "noise.bypass_ratio": 0.3,
            "filter.cutoff_hz": 2000.0,
            "body.frequency_hz": 1200.0,
            "body.gain_db": 6.0,
        },
    ),
}


def sound_of(name: str) -> FloatArray:
    """Render one of the patches: a gate of 0.6 s, one second in all."""
    midi_pitch, velocity, values = PATCHES[name]
    return render(
        dict(values),
        midi_pitch=midi_pitch,
        velocity=velocity,
        gate_s=0.6,
        duration_s=1.0,
        sample_rate_hz=RATE_HZ,
    )


def sound_numbers(sound: FloatArray) -> dict[str, Any]:
    """Take samples spread over a sound, and its level."""
    places = np.linspace(0, sound.size - 1, N_SAMPLES).astype(int)
    return {
        "samples": [float(sound[place]) for place in places],
        "rms": float(np.sqrt(np.mean(sound**2))),
        "peak": float(np.abs(sound).max()),
    }


def scores_of(name: str) -> dict[str, float]:
    """Score a patch against the first one, part by part of the loss."""
    target = NoteTarget(sound_of(REFERENCE), sample_rate_hz=RATE_HZ)
    group = np.zeros((target.n_render, 1), np.float32)
    sound = sound_of(name)[: target.n_render]
    group[: sound.size, 0] = sound
    scores = NoteScorer(target).score(group, 1)[0]
    return {part.name: float(score) for part, score in zip(PARTS, scores, strict=True)}


def main() -> None:
    """Write the file."""
    document = {
        "versions": software_versions(),
        "sounds": {name: sound_numbers(sound_of(name)) for name in PATCHES},
        "scores": {name: scores_of(name) for name in PATCHES if name != REFERENCE},
    }
    write_atomic(NUMBERS, f"{json.dumps(document, indent=1)}\n", overwrite=True)


if __name__ == "__main__":
    main()
