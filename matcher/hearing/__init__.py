"""What is still audible between a target and its match, in words."""

from __future__ import annotations

from matcher.hearing.compare import (
    AudibleDifference,
    audible_differences,
    compare_notes,
    judge,
)
from matcher.hearing.quantities import JUST_NOTICEABLE, JustNoticeable

__all__ = [
    "JUST_NOTICEABLE",
    "AudibleDifference",
    "JustNoticeable",
    "audible_differences",
    "compare_notes",
    "judge",
]
