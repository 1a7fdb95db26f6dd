"""A comparison read back from its folder: the finished runs, and what they show."""

from __future__ import annotations

from functools import cached_property

from matcher.comparing.effects import PairComparison, compare_pairs
from matcher.comparing.outcome import FinishedRuns
from matcher.comparing.statistics import (
    Convergence,
    Reached,
    StructureSummary,
    converge,
    reach,
    summarise,
)
from matcher.comparing.verdict import make_notes, make_verdict

__all__ = ["Comparison"]


class Comparison(FinishedRuns):
    """Structures side by side: `FinishedRuns`, and all that is computed of them when asked for."""

    @cached_property
    def summaries(self) -> tuple[StructureSummary, ...]:
        """Final losses, structure by structure; those without finished runs are left out."""
        return tuple(summarise(name, self.of(name)) for name in self.structures if self.of(name))

    @cached_property
    def convergence(self) -> tuple[Convergence, ...]:
        """Course of the search, for each structure over evaluations and over seconds."""
        return converge(self)

    @cached_property
    def reached(self) -> tuple[Reached, ...]:
        """How soon each threshold was reached: over all targets, then target by target."""
        return reach(self)

    @cached_property
    def pairs(self) -> tuple[PairComparison, ...]:
        """Every two structures side by side."""
        return compare_pairs(self)

    @cached_property
    def verdict(self) -> str:
        """What the runs show, in one sentence."""
        return make_verdict(self, self.pairs)

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What to bear in mind when reading it."""
        return tuple(make_notes(self))
