"""Losses: how far a candidate is from the target, in parts that a player can hear."""

from __future__ import annotations

from matcher.losses.note_target import NoteTarget, velocity_slope_db
from matcher.losses.score import NoteScorer, residual_weights
from matcher.losses.terms import (
    DEFAULT_WEIGHTS,
    LOSS_VERSION,
    PARTS,
    PRESETS,
    TERM_MEANINGS,
    TERM_WORDS,
    TERMS,
    LossBreakdown,
    breakdown,
    describe_weights,
    loss_change,
    totals,
    weights_for,
)

__all__ = [
    "DEFAULT_WEIGHTS",
    "LOSS_VERSION",
    "PARTS",
    "PRESETS",
    "TERMS",
    "TERM_MEANINGS",
    "TERM_WORDS",
    "LossBreakdown",
    "NoteScorer",
    "NoteTarget",
    "breakdown",
    "describe_weights",
    "loss_change",
    "residual_weights",
    "totals",
    "velocity_slope_db",
    "weights_for",
]
