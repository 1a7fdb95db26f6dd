"""Targets: recordings of the wanted sound, trimmed, measured, and ready to be matched."""

from __future__ import annotations

from matcher.target.load import load_target, target_from_signal
from matcher.target.model import LevelTrack, NoteAnalysis, PitchTrack, Target, TargetNote
from matcher.target.start import first_values

__all__ = [
    "LevelTrack",
    "NoteAnalysis",
    "PitchTrack",
    "Target",
    "TargetNote",
    "first_values",
    "load_target",
    "target_from_signal",
]
