"""What a report says and plays of each note."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.plots import measure_pair
from matcher.report.drawings import note_drawings
from matcher.report.sounds import PlainSound, match_loudness, read_sound
from shared import AudioError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from typing import Any

    from matcher.report.drawings import Drawing
    from matcher.runs.folder import RunFolder, RunNote

# Pictures of more notes, or of longer ones, would make the page slow to write and large; files of
# all are a command away.
MOST_PICTURED = 4
LONGEST_PICTURED_S = 15.0
# Rounds to 0.0 dB.
LEAST_GAP_DB = 0.05


@dataclass(frozen=True)
class Difference:
    """One compared quantity, in words; steps are just-noticeable differences."""

    text: str
    steps: float

    @property
    def size(self) -> str:
        """How many times what is just heard."""
        return f"{self.steps:.1f}" if self.steps < 9.95 else f"{self.steps:.0f}"


@dataclass(frozen=True, eq=False)
class ReadNote:
    """A note with its sounds, read from a run folder."""

    note: RunNote
    fields: Mapping[str, Any]
    target: PlainSound
    match: PlainSound
    is_left_out: bool

    @property
    def title(self) -> str:
        """Name of the note, and whether it was left out."""
        return f"{self.note.name} (left out of the fit)" if self.is_left_out else self.note.name

    @property
    def played(self) -> str:
        """What is played: ``"C4, velocity 100, key held 356 ms"``."""
        played = self.fields.get("played") or {}
        name = played.get("pitch_name") or f"MIDI pitch {self.note.played.midi_pitch:g}"
        held_s = self.note.played.gate_s
        held = f"{1000.0 * held_s:.0f} ms" if held_s < 9.9995 else f"{held_s:.2f} s"
        return f"{name}, velocity {self.note.played.velocity}, key held {held}"

    @property
    def onset_s(self) -> float:
        """Where both sounds begin, in s."""
        return float(self.fields.get("onset_s") or 0.0)

    @property
    def loss(self) -> float | None:
        """The loss on this note, in audible steps."""
        total = (self.fields.get("loss") or {}).get("total")
        return float(total) if isinstance(total, (int, float)) else None

    @property
    def trial(self) -> str:
        """How the patch does on a note that it was not fitted to; empty for fitted ones."""
        fitted = (self.fields.get("fitted_loss") or {}).get("total")
        gap_db = self.fields.get("level_gap_db")
        if self.loss is None or not isinstance(fitted, (int, float)):
            return ""
        text = (
            f"The patch was not fitted to this note: its distance is {self.loss:.2f}, that of the "
            f"fitted notes {fitted:.2f}"
        )
        if not isinstance(gap_db, (int, float)):
            return f"{text}."
        if abs(gap_db) < LEAST_GAP_DB:
            return f"{text}, and its level is right."
        return f"{text}, and it is {abs(gap_db):.1f} dB too {'soft' if gap_db > 0.0 else 'loud'}."

    @property
    def audible(self) -> tuple[Difference, ...]:
        """What is still heard, the largest difference first."""
        return _differences(self.fields.get("audible"))

    @property
    def not_audible(self) -> tuple[Difference, ...]:
        """What isn't heard."""
        return _differences(self.fields.get("not_audible"))


def read_notes(run: RunFolder) -> tuple[ReadNote, ...]:
    """Read the sounds of a run, level-matched for listening."""
    entries = [
        (note, fields, is_left_out)
        for notes, key, is_left_out in (
            (run.notes, "notes", False),
            (run.left_out, "left_out", True),
        )
        for note, fields in zip(notes, _listed(run.run.get(key)), strict=True)
    ]
    read = []
    for note, fields, is_left_out in entries:
        target, match = (read_sound(path) for path in (note.target, note.match))
        if target.sample_rate_hz != match.sample_rate_hz:
            raise AudioError(
                f"{note.target} and {note.match} have different sampling rates; a run has one. "
                "Run the match again.",
                path=note.match,
            )
        n_samples = min(target.signal.size, match.signal.size)
        read.append(
            ReadNote(
                note,
                fields,
                PlainSound(target.signal[:n_samples], target.sample_rate_hz),
                PlainSound(match.signal[:n_samples], match.sample_rate_hz),
                is_left_out,
            )
        )
    return tuple(read)


def listening_pair(note: ReadNote) -> tuple[PlainSound, PlainSound]:
    """Return target and match at one loudness."""
    return match_loudness(note.target, note.match)


def drawings_of(note: ReadNote) -> Iterator[Drawing]:
    """Measure a note, and list its pictures."""
    pair = measure_pair(
        note.target.signal,
        note.match.signal,
        sample_rate_hz=note.target.sample_rate_hz,
        note=note.note.played,
        onset_s=note.onset_s,
        name=note.note.name,
    )
    return note_drawings(pair)


def count_pictured(notes: Sequence[ReadNote]) -> int:
    """Say of how many notes the page has pictures: the first, and more if they are short."""
    lengths_s = [note.target.signal.size / note.target.sample_rate_hz for note in notes]
    n_short = int(np.searchsorted(np.cumsum(lengths_s), LONGEST_PICTURED_S, side="right"))
    return min(len(notes), MOST_PICTURED, max(1, n_short))


def _differences(listed: object) -> tuple[Difference, ...]:
    """Read differences of a run document; the verdict at the end of a sentence is left out."""
    return tuple(
        Difference(str(entry.get("sentence", "")).rpartition(": ")[0], float(entry["steps"]))
        for entry in _listed(listed)
        if isinstance(entry.get("steps"), (int, float))
    )


def _listed(value: object) -> Sequence[Mapping[str, Any]]:
    """Return a list of a document, empty if there is none."""
    return value if isinstance(value, list) else []
