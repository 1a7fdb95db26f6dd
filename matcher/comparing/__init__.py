"""Structures side by side: the same targets, budget and seeds for each, and what the runs show.

The package is called `comparing`, as `matcher.compare` is the function.
"""

from __future__ import annotations

from matcher.comparing.compare import batch, compare, continue_comparison
from matcher.comparing.comparison import Comparison
from matcher.comparing.effects import Effect, PairComparison
from matcher.comparing.folder import load_comparison, run_folder
from matcher.comparing.outcome import (
    MEASURE_WORDS,
    TOTAL,
    Curve,
    FailedRun,
    NoteOutcome,
    RunOutcome,
)
from matcher.comparing.statistics import Convergence, Quartiles, Reached, StructureSummary

__all__ = [
    "MEASURE_WORDS",
    "TOTAL",
    "Comparison",
    "Convergence",
    "Curve",
    "Effect",
    "FailedRun",
    "NoteOutcome",
    "PairComparison",
    "Quartiles",
    "Reached",
    "RunOutcome",
    "StructureSummary",
    "batch",
    "compare",
    "continue_comparison",
    "load_comparison",
    "run_folder",
]
