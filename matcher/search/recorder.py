"""The evaluations of one search: scored, timed, recorded and shown."""

from __future__ import annotations

import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import PARTS, totals
from matcher.optimise import SearchRecord
from matcher.search.position import vector_names
from matcher.search.progress import Progress

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from matcher.evaluator import Evaluator
    from shared import Float32Array, FloatArray

__all__: list[str] = []


class Recorder:
    """Scores vectors, and keeps record, clock and progress bar up to date.

    Parameters
    ----------
    evaluator : Evaluator
        Renders and scores.
    seconds, evals : float or int, optional
        The budget, for the bar.
    show : bool
        Whether there is a bar.
    look : callable, optional
        Called after each batch.
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
        self.record = SearchRecord(
            vector_names(evaluator.problem), loss_terms=[part.name for part in PARTS]
        )
        self.progress = Progress(seconds=seconds, evals=evals, show=show)
        self.busy_s = 0.0
        self._look = look
        self._started = time.monotonic()

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

    def measure(self, vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Score whole vectors without recording them: losses, and scores part by part."""
        with self.busy():
            return self.evaluator.losses_and_scores(vectors)

    def measure_notes(
        self, vectors: FloatArray
    ) -> tuple[FloatArray, tuple[FloatArray, FloatArray]]:
        """Score whole vectors as `measure` does, and give the losses note by note as well."""
        with self.busy():
            scores = self.evaluator.scores(vectors)
            notes = np.array([totals(of_note, self.evaluator.weights) for of_note in scores])
            return notes, (np.mean(notes, axis=0), scores.mean(axis=0))

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
        self.progress.update(elapsed_s, len(self.record), float(np.min(self.record.losses)))
        if self._look is not None:
            self._look()

    def score(self, vectors: FloatArray) -> FloatArray:
        """Score whole vectors and record them."""
        losses, scores = self.measure(vectors)
        self.add(vectors, losses, scores)
        return losses
