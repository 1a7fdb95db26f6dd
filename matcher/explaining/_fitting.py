"""Fitting the rest again after something was moved: along straight lines, then by search.

A few controls of a good patch change its sound almost linearly, so the directions in which the
others make up for a change are found by least squares on what each control does to the sound:
damped Gauss-Newton steps, with weights that turn squares into the absolute values of the loss
[1]_. Every step is judged by the loss itself. Where lines lead nowhere, the sampler goes on.

References
----------
.. [1] I. Daubechies, R. DeVore, M. Fornasier and C. S. Güntürk, "Iteratively reweighted least
   squares minimization for sparse recovery", Comm. Pure and Applied Mathematics 63, 2010.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.explaining._features import FeatureReader
from matcher.optimise import make_sampler, search

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matcher.explaining._ground import Ground
    from shared import Float32Array, FloatArray
    from shared.types import IntArray

__all__: list[str] = []

# Step for the slopes, as a share of each range: below what is heard, above rounding of float32.
_STEP = 0.004
# Damping and length of 8 candidates, which are rendered side by side.
_DAMPINGS = (1e-4, 1e-2, 0.2, 3.0)
_LENGTHS = (1.0, 0.35)
# Residuals below this share of their mean count alike; an absolute value has no slope at 0.
_SOFTNESS = 0.5
_EVENNESS = 0.02
_POPULATION = 32


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted candidate.

    Parameters
    ----------
    vector : np.ndarray, shape=(n_dimensions,)
        The candidate.
    loss : float
        Its loss.
    scores : np.ndarray, shape=(n_notes, n_parts)
        Its scores.
    """

    vector: FloatArray
    loss: float
    scores: FloatArray


class Fitter:
    """Fits some controls of a candidate, the others held.

    Parameters
    ----------
    ground : Ground
        The patch with its target.
    """

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._reader = FeatureReader(ground)
        self.n_evaluations = 0

    def score(self, vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Score candidates: losses (n,) and scores (n_notes, n, n_parts)."""
        scores = self._ground.evaluator.scores(vectors)
        self.n_evaluations += len(vectors)
        return self._ground.losses_of(scores), scores

    def best(self, vectors: FloatArray) -> Fit:
        """Choose the best of some candidates."""
        losses, scores = self.score(vectors)
        place = int(np.argmin(losses))
        return Fit(vectors[place], float(losses[place]), scores[:, place])

    def hold(self, vectors: FloatArray) -> None:
        """Keep parameters within their ranges; phases go round."""
        n_space = len(self._ground.problem.space)
        np.clip(vectors[:, :n_space], 0.0, 1.0, out=vectors[:, :n_space])
        np.mod(vectors[:, n_space:], 1.0, out=vectors[:, n_space:])

    def slopes(self, vector: FloatArray, columns: IntArray) -> Float32Array:
        """Measure what each control does to the sound, shape (n_columns, n_features).

        Central differences; at the end of a range, to one side.
        """
        rows = np.arange(len(columns))
        moved = np.tile(vector, (2 * len(columns), 1))
        # Of a stepped control, to the neighbouring positions.
        cells = self._ground.problem.cells[columns]
        steps = np.where(cells > 0, 1.0 / np.maximum(cells, 1), _STEP)
        moved[rows, columns] += steps
        moved[len(columns) + rows, columns] -= steps
        n_space = len(self._ground.problem.space)
        np.clip(moved[:, :n_space], 0.0, 1.0, out=moved[:, :n_space])
        width = moved[rows, columns] - moved[len(columns) + rows, columns]
        self.n_evaluations += len(moved)
        features = self._reader.read(moved)
        differences = features[: len(columns)] - features[len(columns) :]
        steep: Float32Array = (differences / width[:, None]).astype(np.float32)
        return steep

    def probe(self, start: Fit, columns: IntArray, moves: Sequence[float]) -> Fit:
        """Move one control at a time by shares of its range; `start` stays if nothing helps."""
        controls = columns[columns < len(self._ground.problem.space)]
        if not len(controls):
            return start
        trials = np.repeat(start.vector[None, :], len(controls) * len(moves), axis=0)
        rows = np.arange(len(trials))
        trials[rows, np.repeat(controls, len(moves))] += np.tile(moves, len(controls))
        self.hold(trials)
        found = self.best(trials)
        return found if found.loss < start.loss else start

    def straight(
        self, start: Fit, columns: IntArray, slopes: Float32Array, *, n_rounds: int
    ) -> Fit:
        """Fit along straight lines, from known slopes, until nothing gets better."""
        best = start
        for _ in range(n_rounds if len(columns) else 0):
            found = self.best(self._steps(best.vector, columns, slopes))
            if not found.loss < best.loss:
                break
            best = found
        return best

    def search(
        self,
        start: Fit,
        columns: IntArray,
        *,
        n_evaluations: int,
        sigma: float,
        seed: int,
        stop: Callable[[], bool],
    ) -> Fit:
        """Fit by the sampler that matches use; `start` stays if nothing better is found."""
        problem = self._ground.problem
        if not len(columns) or n_evaluations < 1:
            return start
        sampler = make_sampler(
            "cmaes",
            len(columns),
            seed=seed,
            starts=start.vector[None, columns],
            sigma=sigma,
            population=_POPULATION,
            circular=problem.circular[columns],
            cells=problem.cells[columns],
        )
        kept = [start]

        def objective(candidates: FloatArray) -> FloatArray:
            vectors = np.tile(start.vector, (len(candidates), 1))
            vectors[:, columns] = candidates
            losses, scores = self.score(vectors)
            place = int(np.argmin(losses))
            if losses[place] < kept[0].loss:
                kept[0] = Fit(vectors[place], float(losses[place]), scores[:, place])
            return losses

        search(objective, sampler, n_evaluations=n_evaluations, on_batch=lambda _: stop())
        return kept[0]

    def _steps(self, vector: FloatArray, columns: IntArray, slopes: Float32Array) -> FloatArray:
        """Propose steps of several dampings and lengths, shape (8, n_dimensions)."""
        self.n_evaluations += 1
        residual = self._reader.read(vector[None, :])[0] - self._reader.wanted
        size = np.abs(residual)
        weights = 1.0 / np.maximum(size, _SOFTNESS * float(size.mean()) + 1e-12)
        weighted = slopes * weights.astype(np.float32)
        square = (weighted @ slopes.T).astype(np.float64)
        pull = (weighted @ residual).astype(np.float64)
        # With a share of the mean, what does nothing doesn't run away.
        diagonal = np.diag(square) + _EVENNESS * float(np.mean(np.diag(square))) + 1e-30
        rows = []
        for damping in _DAMPINGS:
            step = np.linalg.solve(square + damping * np.diag(diagonal), -pull)
            for length in _LENGTHS:
                row = vector.copy()
                row[columns] += length * step
                rows.append(row)
        trials = np.array(rows)
        self.hold(trials)
        return trials
