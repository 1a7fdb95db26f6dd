"""Losses: how far a candidate is from the target, in parts that a player can hear."""

from __future__ import annotations

from matcher.losses.note_target import NoteTarget
from matcher.losses.presets import PRESETS, describe_weights, preset_of, weights_for
from matcher.losses.residuals import residual_weights
from matcher.losses.score import NoteScorer
from matcher.losses.terms import (
    DEFAULT_WEIGHTS,
    PARTS,
    TERMS,
    LossBreakdown,
    Part,
    breakdown,
    totals,
)

__all__ = [
    "DEFAULT_WEIGHTS",
    "PARTS",
    "PRESETS",
    "TERMS",
    "LossBreakdown",
    "NoteScorer",
    "NoteTarget",
    "Part",
    "breakdown",
    "describe_weights",
    "preset_of",
    "residual_weights",
    "totals",
    "weights_for",
]
