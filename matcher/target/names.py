"""Pitch and velocity from file names such as ``horn_C4_v100.wav``.

A name is cut at ``_``, ``-``, blanks, dots and brackets; only a whole piece counts, so the C3 of
``track3`` or ``C3PO`` doesn't. Pitches need a capital letter (``Bb3``, ``F#4``): small ones are
more often the number of a take. A name with two different pitches tells none.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from shared.notes import parse_pitch

__all__ = ["NameHints", "read_name"]

_CUTS = re.compile(r"[\s_\-.,()\[\]]+")
_PITCH = re.compile(r"[A-G](?:#|b)?[0-8]", re.ASCII)
_VELOCITY = re.compile(r"(?:v|vel)(\d{1,3})", re.ASCII | re.IGNORECASE)


@dataclass(frozen=True)
class NameHints:
    """What a file name says; None where it says nothing."""

    midi_pitch: float | None
    velocity: int | None


def read_name(name: str) -> NameHints:
    """Read pitch and velocity off a file name without its suffix."""
    pieces = _CUTS.split(name)
    pitches = {parse_pitch(piece) for piece in pieces if _PITCH.fullmatch(piece)}
    found = [_VELOCITY.fullmatch(piece) for piece in pieces]
    velocities = {int(match[1]) for match in found if match and 1 <= int(match[1]) <= 127}
    return NameHints(
        pitches.pop() if len(pitches) == 1 else None,
        velocities.pop() if len(velocities) == 1 else None,
    )
