"""Notes: what is played, and how a pitch is written.

C4 is middle C and MIDI pitch 60; pitches are floats, so that a recorded note keeps its cents.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from shared.errors import ParameterError

__all__ = ["Note", "parse_pitch", "pitch_name"]

MIDI_PITCH_MAX = 127.0
VELOCITY_MIN = 1
VELOCITY_MAX = 127
REFERENCE_VELOCITY = 100
# Notes longer than this are slips (ms typed for s), not music; common practice, no source.
GATE_MAX_S = 60.0

_SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_ACCIDENTALS = {"#": 1, "\N{MUSIC SHARP SIGN}": 1, "b": -1, "\N{MUSIC FLAT SIGN}": -1}
_NAMED_PITCH = re.compile(
    r"(?P<letter>[A-Ga-g])(?P<accidentals>[#\u266f]{0,2}|[b\u266d]{0,2})(?P<octave>-?\d)"
    r"(?:\s*(?P<cents>[+-]\d+(?:\.\d+)?)\s*(?:cents?)?)?",
    re.ASCII,
)
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?", re.ASCII)
_NEEDED = (
    "it must be a note name from C-1 to G9 (C#4, Bb3, A4+14 for 14 cents above A4) or a MIDI "
    "pitch from 0 to 127 (60 is C4)"
)


@dataclass(frozen=True)
class Note:
    """One played note.

    Parameters
    ----------
    midi_pitch : float, 0 to 127
        Pitch in semitones, 60 = C4, 69 = A4.
    velocity : int, 1 to 127
        How hard the key is struck; 100 is the reference velocity.
    gate_s : float, 0 < gate_s <= 60
        How long the key is held, in s.

    Raises
    ------
    ParameterError
        If a value lies outside its range.
    """

    midi_pitch: float
    velocity: int = REFERENCE_VELOCITY
    gate_s: float = 1.0

    def __post_init__(self) -> None:
        """Check the three ranges."""
        _check_pitch(self.midi_pitch)
        is_in_range = VELOCITY_MIN <= self.velocity <= VELOCITY_MAX
        # 90.5 would pass a range check, and then differ between a render and a file name.
        if not is_in_range or self.velocity != int(self.velocity):
            _refuse("velocity", self.velocity, "a whole number from 1 to 127")
        if not 0.0 < self.gate_s <= GATE_MAX_S:
            _refuse("gate_s", self.gate_s, "above 0 s and up to 60 s", unit=" s")


def parse_pitch(text: str) -> float:
    """Read a pitch as musicians and sequencers write it: a note name, or a MIDI pitch.

    A name has an octave and maybe cents (``"C#4"``, ``"Bb3"``, ``"C4 +13 cents"``), in upper or
    lower case; C4 is 60. A `ParameterError` says what it must be.

    Examples
    --------
    >>> parse_pitch("C#4"), parse_pitch("A4+14"), parse_pitch("60.25")
    (61.0, 69.14, 60.25)
    """
    stripped = text.strip()
    if _NUMBER.fullmatch(stripped):
        midi_pitch = float(stripped)
    else:
        match = _NAMED_PITCH.fullmatch(stripped)
        if match is None:
            raise ParameterError(f'pitch "{text}" is not understood; {_NEEDED}.', name="pitch")
        midi_pitch = _named_pitch(match)
    if not 0.0 <= midi_pitch <= MIDI_PITCH_MAX:
        raise ParameterError(
            f'pitch "{text}" lies outside the MIDI range; {_NEEDED}.', name="pitch"
        )
    return midi_pitch


def pitch_name(midi_pitch: float) -> str:
    """Write a pitch as the nearest note name with sharps, and whole cents if there are any.

    `parse_pitch` reads it back.

    Examples
    --------
    >>> pitch_name(60.13), pitch_name(69.0)
    ('C4 +13 cents', 'A4')
    """
    _check_pitch(midi_pitch)
    nearest = math.floor(midi_pitch + 0.5)
    cents = round(100.0 * (midi_pitch - nearest))
    name = f"{_NAMES[nearest % 12]}{nearest // 12 - 1}"
    return f"{name} {cents:+d} cents" if cents else name


def _named_pitch(match: re.Match[str]) -> float:
    """Add up letter, accidentals, octave and cents."""
    semitones = _SEMITONES[match["letter"].upper()]
    semitones += sum(_ACCIDENTALS[sign] for sign in match["accidentals"])
    whole = 12 * (int(match["octave"]) + 1) + semitones
    # Division by 100 keeps 69.14 the float nearest to 69.14; a product with 0.01 doesn't.
    return (100 * whole + float(match["cents"] or 0.0)) / 100


def _check_pitch(midi_pitch: float) -> None:
    """Refuse a pitch outside the MIDI range."""
    if not 0.0 <= midi_pitch <= MIDI_PITCH_MAX:
        _refuse("midi_pitch", midi_pitch, "0 to 127 (60 is C4)")


def _refuse(name: str, value: float, needed: str, *, unit: str = "") -> None:
    """Raise for one field of a note."""
    try:
        shown = f"{value:g}"
    except OverflowError:
        # A whole number beyond what a float holds.
        shown = f"{'-' if value < 0 else ''}inf"
    raise ParameterError(f"{name} is {shown}{unit}; it must be {needed}.", name=name)
