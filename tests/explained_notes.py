"""Notes of our own voice with parts that are there, absent, or interchangeable."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from matcher.explaining.prepared_run import prepare_patch
from matcher.target import Target, target_from_signal
from shared import NotePhases, Patch
from voice import load_structure, render

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    import numpy as np

    from matcher.explaining.prepared_run import PreparedRun

__all__ = [
    "BRASS",
    "PHASES",
    "RETUNED",
    "TRADED",
    "drawn_values",
    "known_patch",
    "played_target",
]

RATE_HZ = 22_050
GATE_S = 0.4
SOUND_S = 0.6
PHASES = NotePhases({"osc2.phase": 0.3})
# A brass-like note: two sawtooths, and a filter that opens in the attack.
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
    "filter_env.release_s": 0.1,
    "amp_env.attack_s": 0.02,
    "amp_env.decay_s": 0.2,
    "amp_env.sustain_ratio": 0.7,
    "amp_env.release_s": 0.06,
}
# One oscillator that is detuned, in a voice that is tuned: either alone could do it.
RETUNED: Mapping[str, float] = {
    "osc1.saw_level": 0.0,
    "osc2.saw_level": 1.0,
    "tune_cents": 30.0,
    "osc2.detune_cents": -18.0,
    "filter.cutoff_hz": 1500.0,
    "amp_env.attack_s": 0.02,
    "amp_env.release_s": 0.06,
}
# A filter envelope that stays at its peak: a lower cutoff and more depth are the same.
TRADED: Mapping[str, float] = {
    **BRASS,
    "filter.cutoff_hz": 300.0,
    "filter_env.depth_octaves": 2.0,
    "filter_env.attack_s": 0.0011,
    "filter_env.sustain_ratio": 1.0,
    "filter_env.release_s": 4.0,
}


def played_target(
    values: Mapping[str, float], *pitches: float, phase: float = 0.3, velocity: int = 100
) -> Target:
    """Return a target of notes that our own voice plays.

    Parameters
    ----------
    values : mapping of str to float
        The patch; what is left out stands at neutral.
    *pitches : float
        MIDI pitches; C4 if there are none.
    phase : float
        Phase of oscillator 2 in cycles.
    velocity : int
        How hard the keys are struck.

    Returns
    -------
    Target
        Notes of 0.6 s at 22.05 kHz; pitch, velocity and gate are given.
    """
    notes = []
    for number, pitch in enumerate(pitches or (60.0,)):
        sound = render(
            values,
            midi_pitch=pitch,
            velocity=velocity,
            gate_s=GATE_S,
            duration_s=SOUND_S,
            sample_rate_hz=RATE_HZ,
            phases=NotePhases({"osc2.phase": phase}),
        )
        note = target_from_signal(
            sound,
            RATE_HZ,
            name=f"note{number}",
            midi_pitch=pitch,
            velocity=velocity,
            gate_s=GATE_S,
        )
        notes.append(note)
    return Target(tuple(notes))


@contextmanager
def known_patch(
    target_values: Mapping[str, float],
    *pitches: float,
    patch_values: Mapping[str, float] | None = None,
    structure: str = "two-oscillator",
) -> Iterator[PreparedRun]:
    """Make ready a patch, the true one if left out, with a target of known construction."""
    target = played_target(target_values, *pitches)
    values = target_values if patch_values is None else patch_values
    patch = Patch(structure, values, phases=[PHASES] * len(target.notes))
    with prepare_patch(target, load_structure(structure), patch) as prepared:
        yield prepared


def drawn_values(rng: np.random.Generator) -> dict[str, float]:
    """Draw the settings of a brass- or string-like patch of two sawtooths by lot."""

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    def ratio(low: float, high: float) -> float:
        return float(low * (high / low) ** rng.random())

    return {
        "osc1.saw_level": 1.0,
        "osc2.saw_level": between(0.4, 1.0),
        "osc2.detune_cents": between(4.0, 15.0) * float(rng.choice((-1.0, 1.0))),
        "filter.cutoff_hz": ratio(200.0, 1000.0),
        "filter.resonance_ratio": between(0.1, 0.5),
        "filter_env.depth_octaves": between(1.5, 4.0),
        "filter_env.attack_s": ratio(0.01, 0.08),
        "filter_env.decay_s": ratio(0.05, 0.3),
        "filter_env.sustain_ratio": between(0.3, 0.8),
        "filter_env.release_s": ratio(0.05, 0.3),
        "amp_env.attack_s": ratio(0.008, 0.06),
        "amp_env.decay_s": ratio(0.05, 0.4),
        "amp_env.sustain_ratio": between(0.4, 0.9),
        "amp_env.release_s": ratio(0.04, 0.15),
    }
