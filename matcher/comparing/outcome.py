"""Finished runs: data alone, as they come back from a job and are kept in its file."""

from __future__ import annotations

from collections.abc import Mapping  # noqa: TC003  dataclass fields are resolved in tests
from dataclasses import dataclass
from pathlib import Path  # noqa: TC003
from typing import Annotated, Any, Literal

from msgspec import Meta

from matcher.losses import TERM_WORDS, TERMS, LossBreakdown
from shared.documents import Document

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


_Count = Annotated[int, Meta(ge=1, le=2**53)]
_Numbers = Annotated[tuple[float, ...], Meta(min_length=1)]


class Curve(Document, frozen=True, kw_only=False):
    """The course of one search: its improvements, in order."""

    # Candidates tried by then, 1 for the first, and seconds of search.
    evaluations: _Numbers
    elapsed_s: _Numbers
    # Lowest loss by then, falling, and the terms of that candidate.
    loss: _Numbers
    terms: dict[str, _Numbers]

    def __post_init__(self) -> None:
        """Refuse columns that aren't of one length, or aren't all there."""
        columns = [self.terms.get(name, ()) for name in TERMS]
        columns += [self.evaluations, self.elapsed_s, self.loss]
        if len({len(column) for column in columns}) != 1:
            raise ValueError("the columns of the curve are of different lengths.")


class NoteOutcome(Document, frozen=True, kw_only=False):
    """How one note came out."""

    name: str
    # Differences that can be heard, in a few words, the largest first.
    audible: tuple[str, ...]


class RunOutcome(Document, frozen=True, kw_only=True):
    """One finished run, as it is kept in a file."""

    kind: Literal["earwright compared run"] = "earwright compared run"
    schema_version: Literal[1] = 1
    # 64 hexadecimal digits made of all that the result depends on: recordings and what is said of
    # them, structure, seed, budget, sampler, weights.
    key: str
    # Names in this comparison.
    target: str
    structure: str
    seed: int
    # Loss of the patch that was handed over.
    final: LossBreakdown
    notes: tuple[NoteOutcome, ...]
    curve: Curve
    # What was found, as a patch file has it.
    patch: dict[str, Any]
    n_evaluations: _Count
    elapsed_s: float
    stop_reason: str
    n_threads: _Count
    # Kind of processor, and versions of all that took part.
    processor: str
    versions: dict[str, str]

    def __post_init__(self) -> None:
        """Refuse a loss without a term that statistics ask for."""
        for name in TERMS:
            if name not in self.final.terms:
                raise ValueError(f"a loss has no term {name}.")

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
    """Runs of several structures, over the same targets, seeds and budget."""

    folder: Path
    # Budget (`seconds` or `evals`), `seeds`, `sampler`, `weights`, `thresholds`.
    settings: Mapping[str, object]
    # Names, in the order given.
    targets: tuple[str, ...]
    structures: tuple[str, ...]
    # Target by target, seed by seed, structure by structure.
    runs: tuple[RunOutcome, ...]
    failed: tuple[FailedRun, ...] = ()
    # Runs that haven't been done yet.
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
