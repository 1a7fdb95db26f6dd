"""One search: sampler, evaluator, record, clock and progress brought together."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import PARTS
from matcher.progress import Progress
from matcher.search import BatchReport, SearchRecord, make_sampler, search

if TYPE_CHECKING:
    from collections.abc import Callable

    from matcher.problem import Evaluator
    from shared import FloatArray

__all__ = ["SearchRun"]


class SearchRun:
    """One search with its record and its clock."""

    def __init__(
        self,
        evaluator: Evaluator,
        starts: FloatArray,
        *,
        seconds: float | None,
        evals: int | None,
        progress: bool,
        stop: Callable[[], bool] | None,
    ) -> None:
        self.evaluator = evaluator
        self.starts = starts
        self.seconds = seconds
        self.evals = evals
        self.stop = stop
        names = [p.name for p in evaluator.problem.space]
        names += [
            f"note{i + 1}.phase{column}"
            for i in range(evaluator.problem.n_notes)
            for column in evaluator.problem.phase_columns
        ]
        self.record = SearchRecord(names, loss_terms=[part.name for part in PARTS])
        self.busy_s = 0.0
        self.elapsed_s = 0.0
        self._progress = Progress(seconds=seconds, evals=evals, show=progress)
        self._scores: FloatArray | None = None
        self._started = 0.0

    @property
    def first(self) -> FloatArray:
        """The first candidate."""
        return np.array(self.record.candidates[0])

    @property
    def best(self) -> FloatArray:
        """The best candidate so far."""
        return np.array(self.record.candidates[int(np.argmin(self.record.losses))])

    def search(self, sampler_name: str, seed: int) -> str:
        """Search until the budget is used, and tell why it ended."""
        problem = self.evaluator.problem
        sampler = make_sampler(
            sampler_name,
            problem.n_dimensions,
            seed=seed,
            starts=self.starts,
            circular=problem.circular,
            cells=problem.cells,
        )
        if sampler.slows_down:
            self._progress.say(sampler.slowdown_note)
        self._started = time.monotonic()
        try:
            with self._progress:
                result = search(
                    self._evaluate,
                    sampler,
                    n_evaluations=self.evals,
                    deadline=self._is_over if self.seconds is not None else None,
                    on_batch=self._after_batch,
                )
            reason = str(result.stop_reason)
        except KeyboardInterrupt:
            if not len(self.record):
                raise
            reason = "interrupted"
        self.elapsed_s = time.monotonic() - self._started
        return "stopped" if reason == "callback" else reason

    def _evaluate(self, candidates: FloatArray) -> FloatArray:
        """Score a batch and keep its parts for the record."""
        began = time.perf_counter()
        losses, self._scores = self.evaluator.losses_and_scores(candidates)
        self.busy_s += time.perf_counter() - began
        return losses

    def _is_over(self) -> bool:
        """Whether the time is used up."""
        return time.monotonic() - self._started >= (self.seconds or 0.0)

    def _after_batch(self, report: BatchReport) -> bool:
        """Record a batch and show it."""
        elapsed_s = time.monotonic() - self._started
        self.record.append(
            report.candidates, report.losses, elapsed_s=elapsed_s, terms=self._scores
        )
        self._progress.update(elapsed_s, len(self.record), report.result.best_loss)
        return self.stop is not None and self.stop()
