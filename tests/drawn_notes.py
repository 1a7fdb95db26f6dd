"""Notes with settings drawn by lot: a folder of NAME.flac and NAME.json, made by another language.

Each NAME.json has what the note was played with, in the words of its graph: two oscillators with
sawtooth and pulse, a 24 dB ladder, straight attacks, decays and releases by their time constants,
silence before the note, and noise on it. Either edge of its pulses may be the one that moves.
"""

import json
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from shared import CATALOGUE, Note
from tests.known_notes import KnownNote

__all__ = ["drawn_note", "drawn_note_names"]

# The ladder's Q from no feedback to the edge of self-oscillation.
LEAST_Q, Q_SPAN = 0.5, 24.5
_VALUES = {
    "osc2.detune_cents": "detune",
    "osc2.pitch_env.depth_cents": "bend_cents",
    "osc2.pitch_env.decay_s": "bend_decay",
    "filter.cutoff_hz": "cutoff",
    "filter_env.depth_octaves": "filter_depth",
    **{
        f"{part}_env.{ours}": f"{part}_{theirs}"
        for part in ("filter", "amp")
        for ours, theirs in (
            ("attack_s", "attack"), ("decay_s", "decay"), ("sustain_ratio", "sustain"),
            ("release_s", "release"),
        )
    },
}  # fmt: skip
_OF_OSCILLATOR = {
    "saw_level": "saw?",
    "pulse_level": "pulse?",
    "pulse_width_ratio": "width?",
    "pwm.depth_ratio": "pwm?",
    "pwm.rate_hz": "pwm?_hz",
    "vibrato.depth_cents": "vibrato?_cents",
    "vibrato.rate_hz": "vibrato?_hz",
}
_PHASES = {"phase": "phase?", "vibrato.phase": "vibrato?_phase", "pwm.phase": "pwm?_phase"}


def drawn_note_names(folder: Path) -> tuple[str, ...]:
    """Name the notes of a folder."""
    return tuple(sorted(path.stem for path in folder.glob("*.json")))


def drawn_note(folder: Path, name: str) -> KnownNote:
    """Read one note; its family is the first part of its name, and its key goes down later."""
    drawn: dict[str, Any] = json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))
    signal, sample_rate_hz = soundfile.read(folder / f"{name}.flac", dtype="float64")
    values = {ours: drawn[theirs] for ours, theirs in _VALUES.items()}
    values["filter.resonance_ratio"] = (drawn["q"] - LEAST_Q) / Q_SPAN
    # The other program lets its pulses fall where ours rise: turned over, the edges change places.
    phases = {"pulse.edge": 0.0 if drawn["other_edge"] else 0.5}
    for number in "12":
        for table, found in ((_OF_OSCILLATOR, values), (_PHASES, phases)):
            for ours, theirs in table.items():
                found[f"osc{number}.{ours}"] = drawn[theirs.replace("?", number)]
    return KnownNote(
        name=name,
        signal=np.asarray(signal),
        sample_rate_hz=sample_rate_hz,
        note=Note(drawn["pitch"], gate_s=drawn["gate"]),
        values={**CATALOGUE.neutral(), **values},
        phases=phases,
        family=str(drawn["family"]),
    )
