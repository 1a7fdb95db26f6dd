"""The recorded notes of the quality table: brass, strings, reeds, several pitches and levels.

`NOTES` are matched one by one, `INSTRUMENTS` three notes at a time with one patch.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from matcher.target import Target, target_from_signal
from tests.recordings import real_note

if TYPE_CHECKING:
    from matcher.target import TargetNote

__all__ = ["INSTRUMENTS", "NOTES", "BenchInstrument", "BenchNote"]

RATE_HZ = 44_100


@dataclass(frozen=True)
class BenchNote:
    """One recorded note.

    Attributes
    ----------
    instrument : str
        A name of `tests.recordings.PROGRAMS`.
    midi_pitch : float
        Key.
    velocity : int
        Velocity.
    """

    instrument: str
    midi_pitch: float
    velocity: int = 100

    @property
    def name(self) -> str:
        """Name in tables and files."""
        return f"{self.instrument} {self.midi_pitch:g} v{self.velocity}"

    def target(self) -> TargetNote:
        """Play and analyse the note: held for 1 s, 1.5 s long."""
        return _target(self)

    def target_set(self) -> Target:
        """Return the note as a target of its own."""
        return Target((self.target(),))


@cache
def _target(note: BenchNote) -> TargetNote:
    """Play and analyse a note once."""
    recorded = real_note(
        note.instrument,
        note.midi_pitch,
        velocity=note.velocity,
        gate_s=1.0,
        duration_s=1.5,
        sample_rate_hz=RATE_HZ,
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return target_from_signal(
            recorded.signal,
            RATE_HZ,
            name=note.name.replace(" ", "_"),
            midi_pitch=note.midi_pitch,
            velocity=note.velocity,
        )


NOTES = (
    BenchNote("trumpet", 65.0),
    BenchNote("trumpet", 72.0, 70),
    BenchNote("horn", 55.0),
    BenchNote("trombone", 53.0),
    BenchNote("brass section", 60.0),
    BenchNote("violin", 69.0),
    BenchNote("cello", 48.0),
    BenchNote("string ensemble", 60.0),
    BenchNote("string ensemble", 48.0, 60),
    BenchNote("clarinet", 62.0),
    BenchNote("oboe", 70.0),
    BenchNote("alto sax", 60.0),
)


@dataclass(frozen=True)
class BenchInstrument:
    """Notes of one instrument that one patch has to play.

    Attributes
    ----------
    instrument : str
        A name of `tests.recordings.PROGRAMS`.
    fitted, left_out : tuple of float
        Keys that the patch is fitted to, and keys between them that it is only tried on.
    """

    instrument: str
    fitted: tuple[float, ...]
    left_out: tuple[float, ...]

    def target_set(self) -> Target:
        """Return all notes, those to be left out last."""
        keys = (*self.fitted, *self.left_out)
        return Target(tuple(BenchNote(self.instrument, key).target() for key in keys))

    def left_out_names(self) -> list[str]:
        """Return the names of the notes that the patch isn't fitted to."""
        return [BenchNote(self.instrument, key).target().name for key in self.left_out]


INSTRUMENTS = (
    BenchInstrument("horn", (48.0, 57.0, 65.0), (53.0, 60.0)),
    BenchInstrument("string ensemble", (48.0, 60.0, 72.0), (55.0, 67.0)),
    BenchInstrument("clarinet", (52.0, 62.0, 72.0), (57.0, 67.0)),
)
