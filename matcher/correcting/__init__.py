"""Correction: from takes of the dialled patch to what has to be turned on the instrument."""

from __future__ import annotations

from matcher.correcting.correct import Correction, correct, forget
from matcher.correcting.turning import Turn

__all__ = ["Correction", "Turn", "correct", "forget"]
