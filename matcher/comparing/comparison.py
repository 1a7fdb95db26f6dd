"""A comparison read back from its folder: the finished runs, and what they show."""

from __future__ import annotations

from collections.abc import Mapping  # noqa: TC003  dataclass fields are resolved in tests
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path  # noqa: TC003
from typing import TYPE_CHECKING

from matcher.comparing.outcome import FailedRun, RunOutcome  # noqa: TC001

if TYPE_CHECKING:
    from matcher.comparing.figures import Convergence, PairComparison, Reached, StructureSummary

__all__ = ["Comparison"]


@dataclass(frozen=True, eq=False)
class Comparison:
    """Structures side by side, over the same targets, seeds and budget.

    Parameters
    ----------
    folder : Path
        Where everything is kept.
    settings : mapping of str to object
        Budget (`seconds` or `evals`), `seeds`, `sampler`, `weights`, `thresholds`.
    targets, structures : tuple of str
        Names, in the order given.
    runs : tuple of RunOutcome
        Finished runs: target by target, structure by structure, seed by seed.
    failed : tuple of FailedRun
        Runs that can't be done.
    n_missing : int >= 0
        Runs that haven't been done yet.
    """

    folder: Path
    settings: Mapping[str, object]
    targets: tuple[str, ...]
    structures: tuple[str, ...]
    runs: tuple[RunOutcome, ...]
    failed: tuple[FailedRun, ...] = ()
    n_missing: int = 0

    @property
    def seeds(self) -> tuple[int, ...]:
        """Seeds of the runs."""
        seeds = self.settings["seeds"]
        return tuple(int(seed) for seed in seeds) if isinstance(seeds, (list, tuple)) else ()

    @property
    def thresholds(self) -> tuple[float, ...]:
        """Losses whose reaching is told, in audible steps, falling."""
        values = self.settings["thresholds"]
        return tuple(float(value) for value in values) if isinstance(values, (list, tuple)) else ()

    def of(self, structure: str, target: str | None = None) -> tuple[RunOutcome, ...]:
        """Choose the finished runs of a structure.

        Parameters
        ----------
        structure : str
            Its name.
        target : str, optional
            One target; all if left out.

        Returns
        -------
        tuple of RunOutcome
            In order.
        """
        return tuple(
            run for run in self.runs if run.structure == structure and target in (None, run.target)
        )

    def best(self, structure: str, target: str) -> RunOutcome | None:
        """Return the run with the lowest final loss; None if none is finished.

        Parameters
        ----------
        structure, target : str
            Their names.

        Returns
        -------
        RunOutcome or None
            The run; its whole run folder is at `run_folder`.
        """
        runs = self.of(structure, target)
        return min(runs, key=lambda run: run.final.total) if runs else None

    @cached_property
    def summaries(self) -> tuple[StructureSummary, ...]:
        """Final losses, structure by structure; those without finished runs are left out."""
        from matcher.comparing.statistics import summarise  # noqa: PLC0415  scipy is heavy

        return tuple(summarise(name, self.of(name)) for name in self.structures if self.of(name))

    @cached_property
    def convergence(self) -> tuple[Convergence, ...]:
        """Course of the search, for each structure over evaluations and over seconds."""
        from matcher.comparing.statistics import converge  # noqa: PLC0415

        return converge(self)

    @cached_property
    def reached(self) -> tuple[Reached, ...]:
        """How soon each threshold was reached: over all targets, then target by target."""
        from matcher.comparing.running_time import reach  # noqa: PLC0415

        return reach(self)

    @cached_property
    def pairs(self) -> tuple[PairComparison, ...]:
        """Every two structures side by side."""
        from matcher.comparing.effects import compare_pairs  # noqa: PLC0415

        return compare_pairs(self)

    @cached_property
    def verdict(self) -> str:
        """What the runs show, in one sentence."""
        from matcher.comparing.verdict import verdict  # noqa: PLC0415

        return verdict(self)

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What to bear in mind when reading it."""
        from matcher.comparing.notes import make_notes  # noqa: PLC0415

        return make_notes(self)
