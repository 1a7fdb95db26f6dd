"""The notes with known settings, rendered by another audio language; see `tests/known_answers`.

Only the committed files are read: nobody needs that language to run the tests.
"""

import functools
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from shared import CATALOGUE, Note
from shared.types import FloatArray

FOLDER = Path(__file__).with_name("known_answers")


@dataclass(frozen=True)
class KnownNote:
    """One note and its settings.

    Attributes
    ----------
    name : str
        Its name in ``answers.toml``.
    signal : np.ndarray, shape=(n_samples,), dtype=float64
        Mono sound, read-only; the key goes down at sample 0. The level says nothing: it was
        lowered until the file was safe to play.
    sample_rate_hz : int
        Sampling rate in Hz.
    note : Note
        Pitch, velocity and gate.
    values : dict[str, float]
        All parameters of the catalogue in physical units.
    phases : dict[str, float]
        Phases of oscillator 2 and of the LFOs at sample 0, in cycles.
    family : str
        What the notes of one patch share; empty for a note that stands alone.
    """

    name: str
    signal: FloatArray
    sample_rate_hz: int
    note: Note
    values: dict[str, float]
    phases: dict[str, float]
    family: str


@functools.cache
def _answers() -> dict[str, Any]:
    """Read the manifest."""
    return tomllib.loads((FOLDER / "answers.toml").read_text())


def known_note_names() -> tuple[str, ...]:
    """Return the names of all notes, in the manifest's order."""
    return tuple(name for name, entry in _answers().items() if isinstance(entry, dict))


@functools.cache
def known_note(name: str) -> KnownNote:
    """Read one note."""
    entry = _answers()[name]
    signal, sample_rate_hz = soundfile.read(FOLDER / entry["file"], dtype="float64")
    signal.setflags(write=False)
    return KnownNote(
        name=name,
        signal=np.asarray(signal),
        sample_rate_hz=sample_rate_hz,
        note=Note(entry["midi_pitch"], velocity=entry["velocity"], gate_s=entry["gate_s"]),
        values={**CATALOGUE.neutral(), **entry["values"]},
        phases=dict(entry["phases"]),
        family=entry.get("family", ""),
    )


def known_instrument_names() -> tuple[str, ...]:
    """Return the names of all patches: of the notes that stand alone, then of the families."""
    notes = [known_note(name) for name in known_note_names()]
    alone = [note.name for note in notes if not note.family]
    return *alone, *dict.fromkeys(note.family for note in notes if note.family)


def known_instrument(name: str) -> tuple[KnownNote, ...]:
    """Read all notes of one patch."""
    notes = map(known_note, known_note_names())
    found = [note for note in notes if name in {note.name, note.family}]
    return tuple(sorted(found, key=lambda note: note.note.midi_pitch))
