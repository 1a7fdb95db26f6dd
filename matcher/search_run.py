"""One search: sampler, evaluator, record, clock and progress brought together."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np

from matcher.gates import fit_gates
from matcher.losses import PARTS
from matcher.parts import used_parameters
from matcher.plain import plain_vector, tidy
from matcher.progress import Progress
from matcher.search import BatchReport, Sampler, SearchRecord, make_sampler, search
from shared import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matcher.plan import Stage
    from matcher.problem import Evaluator, Problem
    from shared import FloatArray

__all__ = ["SearchRun"]

# Switching parts off takes some twenty rounds of as many candidates.
PLAIN_EVALUATIONS = 800
# The refit starts from a good patch: small steps.
REFIT_SIGMA = 0.02
# With less than this left of the budget, gates stay as they are.
FEWEST_LEFT = 100


class SearchRun:
    """One search with its record and its clock."""

    def __init__(
        self,
        evaluator: Evaluator,
        starts: FloatArray,
        gates_estimated: Sequence[bool],
        *,
        seconds: float | None,
        evals: int | None,
        progress: bool,
        stop: Callable[[], bool] | None,
    ) -> None:
        self.evaluator = evaluator
        self.starts = starts
        self.gates_estimated = gates_estimated
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
        self._final: FloatArray | None = None
        self._final_loss = np.inf
        self._base = starts[0]
        self._columns = np.arange(evaluator.problem.n_dimensions)

    @property
    def first(self) -> FloatArray:
        """The first candidate."""
        return np.array(self.record.candidates[0])

    @property
    def best(self) -> FloatArray:
        """The best candidate so far; once parts were switched off, the best plain one."""
        if self._final is not None:
            return self._final
        return np.array(self.record.candidates[int(np.argmin(self.record.losses))])

    def search(
        self, sampler_name: str, seed: int, plan: tuple[Stage, ...], *, is_plain: bool
    ) -> str:
        """Go through the stages until the budget is used, and tell why it ended.

        With `is_plain`, what the stages leave of the budget goes into a plainer patch.
        """
        problem = self.evaluator.problem
        # The first call compiles, or loads what was compiled; that is not the search's time.
        with self._progress.slow("compiling the voice, which happens once (about half a minute)"):
            self.evaluator.losses(self.starts[:1])
        self._started = time.monotonic()
        reason = ""
        try:
            with self._progress:
                self._score(self.starts[: self.evals])
                for number, stage in enumerate(plan):
                    starts = stage.starts(problem, self.best) if number else self.starts
                    columns = stage.columns(problem)
                    sampler = self._make_sampler(
                        sampler_name, _stage_seed(seed, number), columns, starts, stage.sigma
                    )
                    share = sum(s.share for s in plan[: number + 1])
                    base = starts[0] if len(starts) else self.best
                    reason = self._search_stage(sampler, columns, base, share)
                    if stage.fits_gates:
                        self._fit_gates()
                    if reason == "callback":
                        break
                if is_plain and reason != "callback":
                    reason = self._make_plain(sampler_name, _stage_seed(seed, len(plan)))
        except KeyboardInterrupt:
            if not len(self.record):
                raise
            reason = "interrupted"
        self.elapsed_s = time.monotonic() - self._started
        if self._final is not None:
            self._final = tidy(problem, self._final)
        return "stopped" if reason == "callback" else reason

    def _fit_gates(self) -> None:
        """Correct the estimated gates, and score the best candidate again with them."""
        if self.evals is not None and self.evals - len(self.record) < FEWEST_LEFT:
            return
        best = self.best
        began = time.perf_counter()
        fit_gates(self.evaluator, best, self.gates_estimated)
        self.busy_s += time.perf_counter() - began
        self._score(best[None, :])

    def _make_plain(self, sampler_name: str, seed: int) -> str:
        """Switch off what can't be heard, and fit the rest again."""
        problem = self.evaluator.problem
        best_loss = float(np.min(self.record.losses))
        left = PLAIN_EVALUATIONS if self.evals is None else self.evals - len(self.record)
        # One is kept for the plain patch itself.
        plain = plain_vector(problem, self.best, best_loss, self._score, n_evaluations=left - 1)
        plain = tidy(problem, plain)
        loss = float(self._score(plain[None, :])[0]) if left > 0 else best_loss
        self._final, self._final_loss = plain, loss
        moving = np.flatnonzero(_still_moving(problem, plain))
        sampler = self._make_sampler(sampler_name, seed, moving, plain[None, :], REFIT_SIGMA)
        return self._search_stage(sampler, moving, plain, 1.0)

    def _score(self, vectors: FloatArray) -> FloatArray:
        """Score whole vectors outside of a sampler, and record them."""
        began = time.perf_counter()
        losses, scores = self.evaluator.losses_and_scores(vectors)
        self.busy_s += time.perf_counter() - began
        elapsed_s = time.monotonic() - self._started
        self.record.append(vectors, losses, elapsed_s=elapsed_s, terms=scores)
        self._progress.update(elapsed_s, len(self.record), float(np.min(self.record.losses)))
        return losses

    def _make_sampler(
        self,
        name: str,
        seed: int,
        columns: np.ndarray[tuple[int], np.dtype[np.int64]],
        starts: FloatArray,
        sigma: float,
    ) -> Sampler | None:
        """Make the sampler of a stage that moves some columns; None if there is nothing to do."""
        if not len(columns) or not len(starts):
            return None
        problem = self.evaluator.problem
        sampler = make_sampler(
            name,
            len(columns),
            seed=seed,
            starts=starts[:, columns],
            sigma=sigma,
            circular=problem.circular[columns],
            cells=problem.cells[columns],
        )
        if sampler.slows_down:
            self._progress.say(sampler.slowdown_note)
        return sampler

    def _search_stage(
        self,
        sampler: Sampler | None,
        columns: np.ndarray[tuple[int], np.dtype[np.int64]],
        base: FloatArray,
        share: float,
    ) -> str:
        """Search some columns around `base` until `share` of the budget is used."""
        left = None if self.evals is None else round(self.evals * share) - len(self.record)
        if sampler is None or (left is not None and left < 1):
            return "evaluations"
        self._columns, self._base = columns, base
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
        best = int(np.argmin(report.losses))
        if self._final is not None and report.losses[best] < self._final_loss:
            self._final = self._complete(report.candidates)[best]
            self._final_loss = float(report.losses[best])
        self._progress.update(elapsed_s, len(self.record), float(np.min(self.record.losses)))
        return self.stop is not None and self.stop()


def _stage_seed(seed: int, number: int) -> int:
    """Seed of one stage; no two stages of any two searches share one by being neighbours."""
    return int(np.random.SeedSequence([seed, number]).generate_state(1)[0])


def _still_moving(
    problem: Problem, vector: FloatArray
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Mark the entries of a vector that do something in it; phases always do."""
    values = dict(zip(CATALOGUE.names, problem.values(vector[None, :])[0].tolist(), strict=True))
    used = used_parameters(values)
    linked = {source for name, source in problem.structure.links.items() if name in used}
    mask = np.ones(problem.n_dimensions, dtype=np.bool_)
    mask[: len(problem.space)] = [n in used or n in linked for n in problem.space.names]
    return mask
