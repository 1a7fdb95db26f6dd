"""Several notes after each other in one recording, made of notes whose places are known."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from shared.audio import read_recording
from tests.recordings import real_note

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shared.types import FloatArray

__all__ = ["RATE_HZ", "TARGETS", "demo_notes", "recorded_notes", "sequence"]

RATE_HZ = 44_100
TARGETS = Path(__file__).resolve().parents[1] / "targets"
FIRST_S = 0.15
LAST_S = 1.0

# A sound from the moment the key goes down, and how long it is held, in s.
Played = tuple["FloatArray", float]


@cache
def demo_notes(instrument: str) -> tuple[Played, ...]:
    """Return the notes of an instrument of the demo targets, as the manifest describes them."""
    manifest = tomllib.loads((TARGETS / "manifest.toml").read_text(encoding="utf-8"))
    notes = []
    for entry in manifest["target"]:
        if entry["instrument"] == instrument:
            signal = read_recording(TARGETS / entry["file"]).signal
            notes.append((signal[round(entry["onset_s"] * RATE_HZ) :], float(entry["gate_s"])))
    return tuple(notes)


def recorded_notes(
    instrument: str,
    pitches: Sequence[float],
    *,
    velocities: Sequence[int] = (100,),
    gate_s: float = 0.5,
) -> tuple[Played, ...]:
    """Return recorded notes, velocities in turn."""
    return tuple(
        (
            real_note(
                instrument,
                pitch,
                velocity=velocities[i % len(velocities)],
                gate_s=gate_s,
                duration_s=gate_s + 0.8,
            ).signal,
            gate_s,
        )
        for i, pitch in enumerate(pitches)
    )


def sequence(notes: Sequence[Played], *, gap_s: float) -> tuple[FloatArray, list[float]]:
    """Play notes after each other, each `gap_s` after the key of the last one went up.

    Releases ring on under the next note, as on an instrument of several voices.
    """
    starts_s = []
    time_s = FIRST_S
    for _, gate_s in notes:
        starts_s.append(time_s)
        time_s += gate_s + gap_s
    whole = np.zeros(round((time_s - gap_s + LAST_S) * RATE_HZ))
    for (signal, _), start_s in zip(notes, starts_s, strict=True):
        first = round(start_s * RATE_HZ)
        n = min(signal.size, whole.size - first)
        whole[first : first + n] += signal[:n]
    return 0.5 * whole / np.abs(whole).max(), starts_s
