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

    from matcher.plan import Stage
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
        self._deadline_s: float | None = None
        self._base = starts[0]
        self._columns = np.arange(evaluator.problem.n_dimensions)

    @property
    def first(self) -> FloatArray:
        """The first candidate."""
        return np.array(self.record.candidates[0])

    @property
    def best(self) -> FloatArray:
        """The best candidate so far."""
        return np.array(self.record.candidates[int(np.argmin(self.record.losses))])

    def search(self, sampler_name: str, seed: int, plan: tuple[Stage, ...]) -> str:
        """Go through the stages until the budget is used, and tell why it ended."""
        self._started = time.monotonic()
        reason = ""
        try:
            with self._progress:
                for number, stage in enumerate(plan):
                    share = sum(s.share for s in plan[: number + 1]) / sum(s.share for s in plan)
                    reason = self._search_stage(sampler_name, seed + number, stage, share)
                    if reason == "callback":
                        break
        except KeyboardInterrupt:
            if not len(self.record):
                raise
            reason = "interrupted"
        self.elapsed_s = time.monotonic() - self._started
        return "stopped" if reason == "callback" else reason

    def _search_stage(self, sampler_name: str, seed: int, stage: Stage, share: float) -> str:
        """Search some of the dimensions until `share` of the budget is used."""
        problem = self.evaluator.problem
        columns = stage.columns(problem)
        if not len(columns):
            return ""
        self._columns = columns
        self._base = self.best if len(self.record) else self.starts[0]
        starts = self._base[None, columns] if len(self.record) else self.starts[:, columns]
        sampler = make_sampler(
            sampler_name,
            len(columns),
            seed=seed,
            starts=starts,
            sigma=stage.sigma,
            circular=problem.circular[columns],
            cells=problem.cells[columns],
        )
        if sampler.slows_down:
            self._progress.say(sampler.slowdown_note)
        left = None if self.evals is None else round(self.evals * share) - len(self.record)
        if left is not None and left < 1:
            return "evaluations"
        self._deadline_s = None if self.seconds is None else self.seconds * share
        result = search(
            self._evaluate,
            sampler,
            n_evaluations=left,
            deadline=self._is_over if self.seconds is not None else None,
            on_batch=self._after_batch,
        )
        return str(result.stop_reason)

    def _complete(self, candidates: FloatArray) -> FloatArray:
        """Put the moving entries of candidates into whole vectors."""
        vectors = np.tile(self._base, (len(candidates), 1))
        vectors[:, self._columns] = candidates
        return vectors

    def _evaluate(self, candidates: FloatArray) -> FloatArray:
        """Score a batch and keep its parts for the record."""
        began = time.perf_counter()
        losses, self._scores = self.evaluator.losses_and_scores(self._complete(candidates))
        self.busy_s += time.perf_counter() - began
        return losses

    def _is_over(self) -> bool:
        """Whether the time of this stage is used up."""
        if not len(self.record):
            return False  # something is tried, however little time there is
        return time.monotonic() - self._started >= (self._deadline_s or 0.0)

    def _after_batch(self, report: BatchReport) -> bool:
        """Record a batch and show it."""
        elapsed_s = time.monotonic() - self._started
        self.record.append(
            self._complete(report.candidates),
            report.losses,
            elapsed_s=elapsed_s,
            terms=self._scores,
        )
        self._progress.update(elapsed_s, len(self.record), float(np.min(self.record.losses)))
        return self.stop is not None and self.stop()
