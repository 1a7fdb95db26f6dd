"""The cue list of the demo pit: what is played, when, how loud, and what to listen for.

The Thimblecroft Travelling Theatre and its show "The Weathercock Inquest" are invented for this
project. `make_targets` turns the list into sound files and their manifest.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shared.notes import Note, parse_pitch
from targets import strings, winds
from targets.partials import Take

if TYPE_CHECKING:
    from collections.abc import Callable

    from shared.types import FloatArray

COMPANY = "Thimblecroft Travelling Theatre"
SHOW = "The Weathercock Inquest"
LICENCE = "CC0-1.0"
# Room to measure the noise floor before the note.
ONSET_S = 0.1


@dataclass(frozen=True)
class Cue:
    """One cue of the show."""

    instrument: str
    pitch: str
    velocity: int
    gate_s: float
    duration_s: float
    peak_dbfs: float
    play: Callable[[Take], FloatArray]
    title: str
    listen_for: str

    @property
    def file(self) -> str:
        """File name, with pitch and velocity."""
        return f"{self.instrument}_{self.pitch}_v{self.velocity}.flac"

    @property
    def take(self) -> Take:
        """The note in its place in the file."""
        note = Note(parse_pitch(self.pitch), velocity=self.velocity, gate_s=self.gate_s)
        return Take(self.instrument, note, onset_s=ONSET_S, duration_s=self.duration_s)


CUES = (
    Cue(
        instrument="horn_stab",
        pitch="C4",
        velocity=45,
        gate_s=0.35,
        duration_s=1.2,
        peak_dbfs=-16.0,
        play=winds.brass_section,
        title="Cue 3: The coroner coughs",
        listen_for="The same four players and key as the loud stab: slower front edge, darker.",
    ),
    Cue(
        instrument="horn_stab",
        pitch="C4",
        velocity=100,
        gate_s=0.35,
        duration_s=1.2,
        peak_dbfs=-4.0,
        play=winds.brass_section,
        title="Cue 4: The gavel falls",
        listen_for=(
            "The first 100 ms: pitch comes from below, upper partials arrive after the lower "
            "ones, an accent falls back to a level."
        ),
    ),
    Cue(
        instrument="horn_stab",
        pitch="G4",
        velocity=100,
        gate_s=0.35,
        duration_s=1.2,
        peak_dbfs=-5.0,
        play=winds.brass_section,
        title="Cue 5: The gavel falls again",
        listen_for="How much of the brightness follows the key, a fifth above cue 4.",
    ),
    Cue(
        instrument="muted_lead",
        pitch="A4",
        velocity=90,
        gate_s=2.0,
        duration_s=2.6,
        peak_dbfs=-6.0,
        play=winds.muted_lead,
        title="Cue 9: The tin rooster gives evidence",
        listen_for=(
            "Straight for 0.7 s, then a vibrato that grows until 1.3 s and quickens; level and "
            "brightness swing with it. The mute leaves a hollow near 2 kHz."
        ),
    ),
    Cue(
        instrument="string_pad",
        pitch="C3",
        velocity=80,
        gate_s=2.1,
        duration_s=3.0,
        peak_dbfs=-8.0,
        play=strings.string_pad,
        title="Cue 12: Fog on the weir, low",
        listen_for="Slow, wide vibrato; several players that never quite agree.",
    ),
    Cue(
        instrument="string_pad",
        pitch="C4",
        velocity=80,
        gate_s=2.1,
        duration_s=3.0,
        peak_dbfs=-8.0,
        play=strings.string_pad,
        title="Cue 13: Fog on the weir, middle",
        listen_for="The same section an octave up: vibrato faster and shallower, body in place.",
    ),
    Cue(
        instrument="string_pad",
        pitch="C5",
        velocity=80,
        gate_s=2.1,
        duration_s=3.0,
        peak_dbfs=-8.0,
        play=strings.string_pad,
        title="Cue 14: Fog on the weir, high",
        listen_for="Another octave up: vibrato at its fastest and shallowest.",
    ),
    Cue(
        instrument="reed_solo",
        pitch="E4",
        velocity=85,
        gate_s=1.8,
        duration_s=2.4,
        peak_dbfs=-9.0,
        play=winds.reed_solo,
        title="Cue 17: The lodger at the skylight",
        listen_for=(
            "Odd partials only at the bottom, like a square wave; the swell makes it brighter "
            "as well as louder."
        ),
    ),
    Cue(
        instrument="gut_pluck",
        pitch="D3",
        velocity=95,
        gate_s=1.1,
        duration_s=1.7,
        peak_dbfs=-5.0,
        play=strings.gut_pluck,
        title="Cue 21: Frost on the vane",
        listen_for="A nail, a knock, then each partial dying at its own pace; the hand stops it.",
    ),
    Cue(
        instrument="hollow_pad",
        pitch="G3",
        velocity=70,
        gate_s=1.9,
        duration_s=3.0,
        peak_dbfs=-9.0,
        play=strings.hollow_pad,
        title="Cue 26: Nobody in the belfry",
        listen_for="Few partials, much air; slow beats, and a brightness that opens and closes.",
    ),
)
