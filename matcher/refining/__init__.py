"""Refining: some parameters of a patch are searched again, the rest stays as it is, to the bit."""

from __future__ import annotations

from matcher.refining.refine import refine
from matcher.refining.refinement import DEFAULT_REFINE_SECONDS
from matcher.refining.saving import refine_and_save, resume_refine
from matcher.refining.selection import Selection, choose_space, read_value, with_values

__all__ = [
    "DEFAULT_REFINE_SECONDS",
    "Selection",
    "choose_space",
    "read_value",
    "refine",
    "refine_and_save",
    "resume_refine",
    "with_values",
]
