"""The evaluations of one search: scored, timed, recorded and shown."""

from __future__ import annotations

import time
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import PARTS, breakdown, totals
from matcher.optimise import SearchRecord
from matcher.progress import Progress
from shared import PHASE_NAMES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from matcher.evaluator import Evaluator
    from matcher.losses import LossBreakdown
    from matcher.problem import Problem
    from shared import Float32Array, FloatArray
    from shared.patch import NotePhases

__all__ = ["Recorder", "SearchState"]


@dataclass(frozen=True, eq=False)
class SearchState:
    """One moment of a search: what was tried, the budget, and the best patch so far."""

    elapsed_s: float
    n_evaluations: int
    # One of the two is given.
    seconds: float | None
    evals: int | None
    # Mean over the notes.
    loss: LossBreakdown
    # All of the catalogue, in physical units, and the phases note by note.
    values: Mapping[str, float]
    phases: tuple[NotePhases, ...]


class Recorder:
    """Scores vectors, and keeps record, clock and progress bar up to date.

    `look` is called after each batch.
    """

    def __init__(
        self,
        evaluator: Evaluator,
        *,
        seconds: float | None,
        evals: int | None,
        show: bool,
        look: Callable[[], object] | None,
    ) -> None:
        self.evaluator = evaluator
        self.seconds, self.evals = seconds, evals
        self.record = SearchRecord(
            _vector_names(evaluator.problem), loss_terms=[part.name for part in PARTS]
        )
        # Of a budget in evaluations, only the bar can tell how long it will take.
        tail = ", {remaining} left" if evals else ""
        self.progress = Progress("matching", evals or seconds or 0.0, show=show, tail=tail)
        self.busy_s = 0.0
        self._look = look
        self._started = time.monotonic()

    @property
    def rate(self) -> float:
        """Whole candidates a second, on this machine as busy as it is."""
        return self.evaluator.n_rendered / self.busy_s if self.busy_s else float("inf")

    def start_clock(self, elapsed_s: float) -> None:
        """Let the time of the search go on from `elapsed_s`."""
        self._started = time.monotonic() - elapsed_s

    @property
    def elapsed_s(self) -> float:
        """Seconds of search so far, without those between an interruption and going on."""
        return time.monotonic() - self._started

    @contextmanager
    def busy(self) -> Iterator[None]:
        """Count the time of the block as rendering and scoring."""
        began = time.perf_counter()
        try:
            yield
        finally:
            self.busy_s += time.perf_counter() - began

    @contextmanager
    def apart(self) -> Iterator[None]:
        """Count what the block renders, which is not recorded, and its time."""
        before = self.evaluator.n_rendered
        try:
            with self.busy():
                yield
        finally:
            self.record.n_apart += self.evaluator.n_rendered - before

    def measure(self, vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Score whole vectors without recording them: losses, and scores part by part."""
        with self.busy():
            return self.evaluator.losses_and_scores(vectors)

    def measure_residuals(
        self, vectors: FloatArray
    ) -> tuple[FloatArray, FloatArray, Float32Array]:
        """Score whole vectors as `measure` does, and give the single differences as well."""
        with self.busy():
            return self.evaluator.losses_and_residuals(vectors)

    def add(self, vectors: FloatArray, losses: FloatArray, scores: FloatArray | None) -> None:
        """Record what was measured, and show it."""
        elapsed_s = self.elapsed_s
        self.record.append(vectors, losses, elapsed_s=elapsed_s, terms=scores)
        n_tried, loss = round(self.record.n_evaluations), float(np.min(self.record.losses))
        words = f"loss {loss:.2f} audible steps, {n_tried} tried"
        if self.seconds is None:
            self.progress.show(n_tried, words)
        else:
            left_s = max(self.seconds - elapsed_s, 0.0)
            self.progress.show(elapsed_s, f"{words}, {left_s:.0f} s left")
        if self._look is not None:
            self._look()

    def score(self, vectors: FloatArray) -> FloatArray:
        """Score whole vectors and record them."""
        losses, scores = self.measure(vectors)
        self.add(vectors, losses, scores)
        return losses

    def score_notes(self, vectors: FloatArray) -> FloatArray:
        """Score and record whole vectors; return losses note by note, (n_notes, n_vectors)."""
        with self.busy():
            scores = self.evaluator.scores(vectors)
            notes = np.array([totals(of_note, self.evaluator.weights) for of_note in scores])
        self.add(vectors, np.mean(notes, axis=0), scores.mean(axis=0))
        return notes

    def state(self, best: FloatArray, loss: float) -> SearchState:
        """Describe this moment, with the best candidate; its loss is one of the record."""
        record, evaluator = self.record, self.evaluator
        row = int(np.flatnonzero(record.losses == loss)[-1])
        return SearchState(
            elapsed_s=float(record.elapsed_s[-1]),
            n_evaluations=round(record.n_evaluations),
            seconds=self.seconds,
            evals=self.evals,
            loss=breakdown(record.terms[row], evaluator.weights),
            values=evaluator.problem.named_values(best),
            phases=evaluator.problem.note_phases(best),
        )


def _vector_names(problem: Problem) -> list[str]:
    """Name the entries of a vector: parameters, phases of each note, the kind of pulse."""
    of_notes = [
        f"note{i + 1}.phase{column}"
        for i in range(problem.n_notes)
        for column in problem.phase_columns
    ]
    return [*problem.space.names, *of_notes, *(PHASE_NAMES[i] for i in problem.pulse_columns)]
