"""The recorded notes of the quality table: brass, strings, reeds, several pitches and levels."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matcher.target import Target, target_from_signal
from tests.recordings import real_note

if TYPE_CHECKING:
    from matcher.target import TargetNote

__all__ = ["NOTES", "BenchNote"]

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
        recorded = real_note(
            self.instrument,
            self.midi_pitch,
            velocity=self.velocity,
            gate_s=1.0,
            duration_s=1.5,
            sample_rate_hz=RATE_HZ,
        )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return target_from_signal(
                recorded.signal,
                RATE_HZ,
                name=self.name.replace(" ", "_"),
                midi_pitch=self.midi_pitch,
                velocity=self.velocity,
            )

    def target_set(self) -> Target:
        """Return the note as a target of its own."""
        return Target((self.target(),))


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
