"""Finished runs: data alone, as they come back from a job and are kept in its file."""

from __future__ import annotations

from collections.abc import Mapping  # noqa: TC003  dataclass fields are resolved in tests
from dataclasses import dataclass
from pathlib import Path  # noqa: TC003

from matcher.losses import TERM_WORDS, TERMS, LossBreakdown
from shared import FloatArray  # noqa: TC001
from shared.patch import Patch  # noqa: TC001

__all__ = [
    "MEASURES",
    "MEASURE_WORDS",
    "TOTAL",
    "Curve",
    "FailedRun",
    "FinishedRuns",
    "NoteOutcome",
    "RunOutcome",
]

# Name of the loss itself beside its terms.
TOTAL = "total"
MEASURES = (TOTAL, *TERMS)
MEASURE_WORDS = {
    TOTAL: "distance",
    **{name: f"{word} distance" for name, word in TERM_WORDS.items()},
}


@dataclass(frozen=True, eq=False)
class Curve:
    """The course of one search: its improvements, in order.

    Parameters
    ----------
    evaluations : np.ndarray, shape=(n_improvements,), dtype=float64
        Candidates tried by then; 1 for the first.
    elapsed_s : np.ndarray, shape=(n_improvements,), dtype=float64
        Seconds of search by then.
    loss : np.ndarray, shape=(n_improvements,), dtype=float64
        Lowest loss by then, falling.
    terms : mapping of str to np.ndarray, shape=(n_improvements,)
        Terms of that candidate, by name.
    """

    evaluations: FloatArray
    elapsed_s: FloatArray
    loss: FloatArray
    terms: Mapping[str, FloatArray]


@dataclass(frozen=True)
class NoteOutcome:
    """How one note came out.

    Parameters
    ----------
    name : str
        The note.
    loss : LossBreakdown
        What is left of the difference.
    audible : tuple of str
        Differences that can be heard, in a few words, the largest first.
    """

    name: str
    loss: LossBreakdown
    audible: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class RunOutcome:
    """One finished run.

    Parameters
    ----------
    key : str
        64 hexadecimal digits made of all that the result depends on: recordings and what is said
        of them, structure, seed, budget, sampler, weights.
    target, structure : str
        Their names in this comparison.
    seed : int >= 0
        Seed of the search.
    start, final : LossBreakdown
        Loss of the first candidate, and of the patch that was handed over.
    notes : tuple of NoteOutcome
        The same note by note.
    curve : Curve
        The course of the search.
    patch : Patch
        What was found.
    n_evaluations : int >= 1
        Candidates tried.
    elapsed_s : float > 0
        Seconds of search.
    stop_reason : str
        "evaluations" or "deadline".
    n_threads : int >= 1
        Threads that searched.
    processor : str
        Kind of processor it ran on.
    versions : mapping of str to str
        Versions of all that took part.
    warnings : tuple of str
        What was assumed about the recordings.
    """

    key: str
    target: str
    structure: str
    seed: int
    start: LossBreakdown
    final: LossBreakdown
    notes: tuple[NoteOutcome, ...]
    curve: Curve
    patch: Patch
    n_evaluations: int
    elapsed_s: float
    stop_reason: str
    n_threads: int
    processor: str
    versions: Mapping[str, str]
    warnings: tuple[str, ...] = ()

    def measure(self, name: str) -> float:
        """Return the final loss ("total") or one of its terms, in audible steps."""
        return self.final.total if name == TOTAL else self.final.terms[name]


@dataclass(frozen=True)
class FailedRun:
    """A run that can't be done.

    Parameters
    ----------
    target, structure : str
        Their names.
    seed : int
        Seed of the search.
    message : str
        Why, in one line.
    """

    target: str
    structure: str
    seed: int
    message: str


@dataclass(frozen=True, eq=False)
class FinishedRuns:
    """Runs of several structures, over the same targets, seeds and budget.

    Parameters
    ----------
    folder : Path
        Where everything is kept.
    settings : mapping of str to object
        Budget (`seconds` or `evals`), `seeds`, `sampler`, `weights`, `thresholds`.
    targets, structures : tuple of str
        Names, in the order given.
    runs : tuple of RunOutcome
        Finished runs: target by target, seed by seed, structure by structure.
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
        """Losses in audible steps, falling; `reached` says how soon each was reached."""
        values = self.settings["thresholds"]
        return tuple(float(value) for value in values) if isinstance(values, (list, tuple)) else ()

    def of(self, structure: str, target: str | None = None) -> tuple[RunOutcome, ...]:
        """Return the finished runs of a structure, on one target or on all, in order."""
        return tuple(
            run for run in self.runs if run.structure == structure and target in (None, run.target)
        )

    def best(self, structure: str, target: str) -> RunOutcome | None:
        """Return the run with the lowest final loss; its run folder is at `run_folder`."""
        return min(self.of(structure, target), key=lambda run: run.final.total, default=None)
