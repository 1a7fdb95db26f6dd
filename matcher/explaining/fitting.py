"""Fitting the rest of a patch again after something was moved.

Steps are those of `matcher.optimise.gauss_newton`. A few controls of a good patch change its sound
almost linearly, so what each of them does to the single differences behind the loss is measured
once and serves many fits around there; every step is judged by the loss itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.optimise.box import Box
from matcher.optimise.gauss_newton import NEAR_MOVE, LocalFits, LocalSearch

if TYPE_CHECKING:
    from collections.abc import Callable

    from matcher.explaining.prepared_run import PreparedRun
    from shared import Float32Array, FloatArray
    from shared.types import IntArray

__all__ = ["Fit", "Fitter", "Slopes"]

# Fits go on as long as some steps take off a fiftieth of the loss, but not for ever.
_LEAST_GAIN, _MOST_FITS, _N_STEPS = 0.02, 4, 3
# How far single controls are moved to find the valley, as shares of their ranges.
_MOVES = (0.35, 0.12, 0.04, 0.013, 0.004)


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted candidate, its loss, and its scores, shape (n_notes, n_parts)."""

    vector: FloatArray
    loss: float
    scores: FloatArray


@dataclass(frozen=True, eq=False)
class Slopes:
    """What each of some columns does to the differences, shape (n_columns, n_differences)."""

    columns: IntArray
    rows: Float32Array

    def only(self, chosen: np.ndarray) -> Slopes:
        """Keep the columns for which a mask is true."""
        return Slopes(self.columns[chosen], self.rows[chosen])


class Fitter:
    """Fits some controls of a candidate, the others held; may be used by several threads."""

    def __init__(self, prepared: PreparedRun) -> None:
        self._prepared = prepared
        self._evaluator = prepared.evaluator
        self._n_space = len(prepared.problem.space)
        self._box = Box(prepared.problem.circular, prepared.problem.cells)
        self._fits = LocalFits(
            self._measure,
            self._evaluator.residual_weights,
            circular=self._box.circular,
            cells=self._box.cells,
        )

    def best(self, vectors: FloatArray) -> Fit:
        """Choose the best of some candidates."""
        scores = self._evaluator.scores(vectors)
        losses = self._prepared.losses_of(scores)
        i = int(np.argmin(losses))
        return Fit(vectors[i], float(losses[i]), scores[:, i])

    def hold(self, vectors: FloatArray) -> None:
        """Keep parameters within their ranges; phases go round."""
        np.clip(vectors[:, : self._n_space], 0.0, 1.0, out=vectors[:, : self._n_space])
        np.mod(vectors[:, self._n_space :], 1.0, out=vectors[:, self._n_space :])

    def slopes(self, vector: FloatArray, columns: IntArray) -> Slopes:
        """Measure what columns do around a candidate."""
        search = LocalSearch.at(vector, self._free(columns), move=NEAR_MOVE)
        points, moving, moved = search.slope_points(self._box)
        residuals = self._measure(points)[1]
        residuals[1:] -= residuals[0]
        return Slopes(moving, (residuals[1:] / moved[:, None]).astype(np.float32))

    def descend(self, start: Fit, slopes: Slopes, *, n_rounds: int) -> Fit:
        """Take steps by slopes that are known, as long as they help."""
        if not len(slopes.columns):
            return start
        search = LocalSearch.at(start.vector)
        losses, residuals = self._measure(start.vector[None, :])
        search.loss = float(losses[0])
        for _ in range(n_rounds):
            residual = residuals[int(np.argmin(losses))]
            # A difference below one step counts by its square, as in the searches of matches.
            weighted = slopes.rows * (
                self._evaluator.residual_weights / np.maximum(np.abs(residual), 1.0)
            )
            normal = (weighted @ slopes.rows.T).astype(np.float64)
            downhill = (weighted @ residual).astype(np.float64)
            trials = search.trial_points(self._box, slopes.columns, normal, downhill)
            if not len(trials):
                break
            losses, residuals = self._measure(trials)
            if not search.take_best(self._box, trials, losses):
                break
        fit = self.best(search.point[None, :])
        return fit if fit.loss < start.loss else start

    def _free(self, columns: IntArray) -> np.ndarray:
        """Mark columns."""
        free = np.zeros(self._box.n_dimensions, bool)
        free[columns] = True
        return free

    def fit(self, start: Fit, columns: IntArray, *, is_over: Callable[[], bool]) -> Fit:
        """Fit columns by slopes that are measured at every step."""
        vector, loss = start.vector, start.loss
        for _ in range(_MOST_FITS if len(columns) else 0):
            before = loss
            vector, loss = self._fits.fitted(vector, _N_STEPS, free=self._free(columns))
            if is_over() or not loss < (1.0 - _LEAST_GAIN) * before:
                break
        return self.best(vector[None, :]) if loss < start.loss else start

    def fit_from_afar(self, start: Fit, columns: IntArray, *, is_over: Callable[[], bool]) -> Fit:
        """Fit columns, and move single controls in between: slopes alone end in the next dip."""
        fit = start
        for _ in range(_MOST_FITS):
            before = fit.loss
            fit = self.fit(self._moved(fit, columns), columns, is_over=is_over)
            if is_over() or not fit.loss < (1.0 - _LEAST_GAIN) * before:
                break
        return fit

    def _moved(self, start: Fit, columns: IntArray) -> Fit:
        """Move one control at a time, far and near; `start` stays if nothing helps."""
        controls = columns[columns < self._n_space]
        if not len(controls):
            return start
        moves = np.concatenate([_MOVES, np.negative(_MOVES)])
        trials = np.tile(start.vector, (len(controls) * len(moves), 1))
        trials[np.arange(len(trials)), np.repeat(controls, len(moves))] += np.tile(
            moves, len(controls)
        )
        self.hold(trials)
        found = self.best(trials)
        return found if found.loss < start.loss else start

    def _measure(self, vectors: FloatArray) -> tuple[FloatArray, Float32Array]:
        """Score candidates, with the single differences."""
        losses, _, residuals = self._evaluator.losses_and_residuals(vectors)
        return losses, residuals
