"""The step of a search that switches off what can't be heard, and settles on a panel's steps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.search.plain import plain_limit, plain_vector, tidy
from matcher.search.plain_fitted import plain_after_fits
from matcher.search.settle import settle_on_steps

if TYPE_CHECKING:
    from collections.abc import Callable

    from matcher.search.recorder import Recorder
    from shared import Float32Array, FloatArray

__all__: list[str] = []

# Switching parts off takes some five rounds of thirty candidates, and fits without doubtful ones
# a few hundred; both together get no more than these, or such a share of what is left.
PLAIN_EVALUATIONS, FITS_SHARE = 1200, 0.4


class PlainStep:
    """Tries of one step, which can be taken again from its beginning.

    Which candidates are tried depends on the losses only, so after an interruption the step is
    taken again, with the losses that the record already has.

    Parameters
    ----------
    recorder : Recorder
        Evaluator and record of the search.
    first_row : int >= 0
        Where the step begins in the record.
    evals : int, optional
        Budget of the whole search in candidates; None if it is a time.
    after_batch : callable
        Called after each batch that was recorded.
    """

    def __init__(
        self,
        recorder: Recorder,
        first_row: int,
        *,
        evals: int | None,
        after_batch: Callable[[], None],
    ) -> None:
        self._recorder = recorder
        self._after_batch = after_batch
        self._first_row = self._n_replayed = first_row
        self._n_left = PLAIN_EVALUATIONS if evals is None else evals - first_row

    def take(self) -> tuple[FloatArray, float]:
        """Take the step.

        Returns
        -------
        vector : np.ndarray, shape=(n_dimensions,)
            The plain candidate.
        loss : float
            Its loss.
        """
        record, problem = self._recorder.record, self._recorder.evaluator.problem
        losses = record.losses[: self._first_row]
        loss = float(np.min(losses))
        best = np.array(record.candidates[int(np.argmin(losses))])
        # One is kept for the plain patch itself.
        plain = plain_vector(problem, best, loss, self._score, n_evaluations=self._left - 1)
        weights = self._recorder.evaluator.residual_weights
        n_fits = round(FITS_SHARE * (self._left - 1))
        plain = plain_after_fits(
            problem, plain, plain_limit(loss), self._measure, weights, n_evaluations=n_fits
        )
        plain = tidy(problem, plain)
        if self._left > 0:
            loss = float(self._score(plain[None, :])[0])
        if problem.structure.controls and self._left > 0:
            # The phases want their share: the refit has the other half.
            n_settling = self._left // 2
            plain, loss = settle_on_steps(
                problem, plain, loss, self._score, n_evaluations=n_settling
            )
        return plain, loss

    @property
    def _left(self) -> int:
        """How many candidates are left."""
        return self._n_left - (self._n_replayed - self._first_row)

    def _score(self, vectors: FloatArray) -> FloatArray:
        """Score vectors, or find their losses in the record if it has them already."""
        first, last = self._n_replayed, self._n_replayed + len(vectors)
        self._n_replayed = last
        if last <= len(self._recorder.record):
            return np.array(self._recorder.record.losses[first:last])
        losses = self._recorder.score(vectors)
        self._after_batch()
        return losses

    def _measure(self, vectors: FloatArray) -> tuple[FloatArray, Float32Array]:
        """Score vectors with their single differences, which no record has."""
        self._n_replayed += len(vectors)
        losses, scores, residuals = self._recorder.measure_residuals(vectors)
        if self._n_replayed > len(self._recorder.record):
            self._recorder.add(vectors, losses, scores)
            self._after_batch()
        return losses, residuals
