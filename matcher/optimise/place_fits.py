"""Places beside a point, each with something changed that is held while the rest is fitted.

Tells what a change costs once everything else has made up for it: with the slopes of the point for
all places at once, then, where that is nearly enough, in some steps of its own.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import numpy as np

from matcher.optimise._box import Box
from matcher.optimise._hops import PROBES, Leap, fitted_places
from matcher.optimise._walk import Walk, normal_equations, slopes_points, steps_of, take_step

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    from shared.types import Float32Array, FloatArray, IntArray

    BoolArray = npt.NDArray[np.bool_]
    Measure = Callable[[FloatArray], tuple[FloatArray, Float32Array]]

__all__ = ["PlaceFits"]

# Near the bottom of a valley slopes are measured by such a share of each range.
MOVE = 0.004
# Places above the limit by less than this factor get some steps of their own, the best ones first.
NEARLY, MORE_STEPS, MOST_WALKED = 2.5, 6, 2


class PlaceFits:
    """Fits around places, as long as there are candidates left.

    Parameters
    ----------
    measure : callable
        Scores candidates, shape (n_candidates, n_dimensions): losses, shape (n_candidates,), and
        single differences, shape (n_candidates, n_differences).
    weights : np.ndarray, shape=(n_differences,), dtype=float32
        What each difference weighs in the loss.
    circular : np.ndarray of bool, shape=(n_dimensions,)
        Which dimensions go round.
    cells : np.ndarray of int, shape=(n_dimensions,)
        Number of steps of each dimension, 0 for continuous ones.
    n_evaluations : int, optional
        How many candidates may be scored; any number if left out.

    Attributes
    ----------
    n_left : int
        How many are left.
    """

    def __init__(
        self,
        measure: Measure,
        weights: Float32Array,
        *,
        circular: BoolArray,
        cells: IntArray,
        n_evaluations: int | None = None,
    ) -> None:
        self._box = Box(circular=circular, cells=cells)
        self._measure_all, self._weights = measure, weights
        self.n_left = sys.maxsize if n_evaluations is None else n_evaluations

    def best_within(
        self, point: FloatArray, places: FloatArray, limit: float
    ) -> FloatArray | None:
        """Fit everything at some places but what was changed there.

        Parameters
        ----------
        point : np.ndarray, shape=(n_dimensions,)
            Where slopes are measured.
        places : np.ndarray, shape=(n_places, n_dimensions)
            The same with something changed each.
        limit : float
            What a loss may be.

        Returns
        -------
        np.ndarray, shape=(n_dimensions,), or None
            The place that comes out best if it is within the limit, or else a near one that walks
            there; None if there is none, or no candidate is left.
        """
        walk = _walk(point, np.ones(len(point), bool))
        points, columns, moved = slopes_points(walk, self._box)
        changed = places != point
        measured = self._measure(np.concatenate([points, places]))
        if measured is None:
            return None
        normal, downhill = normal_equations((columns, moved), measured[1], self._weights)
        leap = Leap("probe", places, np.ones(places.shape, bool), changed, columns, moved)
        fitted = fitted_places(leap, self._box, normal, downhill[1:])
        scored = self._measure(fitted)
        if scored is None:
            return None
        losses = scored[0].reshape(len(PROBES), -1)
        lowest, chosen = losses.min(axis=0), losses.argmin(axis=0)
        best = fitted[chosen * len(places) + np.arange(len(places))]
        for i in np.argsort(lowest, kind="stable")[:MOST_WALKED]:
            if lowest[i] <= limit:
                found: FloatArray = best[i]
                return found
            walked = None
            if lowest[i] <= NEARLY * limit:
                walked = self._walked(_walk(best[i], ~changed[i]), limit)
            if walked is not None:
                return walked
        return None

    def walked(self, point: FloatArray, n_steps: int) -> tuple[FloatArray, float]:
        """Take some steps from a point.

        Parameters
        ----------
        point : np.ndarray, shape=(n_dimensions,)
            Where to begin.
        n_steps : int >= 1
            How many steps at most.

        Returns
        -------
        point : np.ndarray, shape=(n_dimensions,)
            Where they lead.
        loss : float
            Its loss; infinite if no candidate was left.
        """
        walk = _walk(point, np.ones(len(point), bool))
        for _ in range(n_steps):
            if not self._has_stepped(walk):
                break
        return walk.point, walk.loss

    def _walked(self, walk: Walk, limit: float) -> FloatArray | None:
        """Take some steps; None if they don't lead within the limit."""
        for _ in range(MORE_STEPS):
            if not self._has_stepped(walk):
                return None
            if walk.loss <= limit:
                return walk.point
        return None

    def _has_stepped(self, walk: Walk) -> bool:
        """Take a step; whether it led anywhere."""
        points, columns, moved = slopes_points(walk, self._box)
        measured = self._measure(points)
        if measured is None:
            return False
        walk.loss = float(measured[0][0])
        normal, downhill = normal_equations((columns, moved), measured[1], self._weights)
        steps = steps_of(walk, self._box, columns, normal, downhill[0])
        scored = self._measure(steps) if len(steps) else None
        return scored is not None and take_step(walk, self._box, steps, scored[0])

    def _measure(self, vectors: FloatArray) -> tuple[FloatArray, Float32Array] | None:
        """Measure candidates; None if there aren't as many left."""
        if len(vectors) > self.n_left:
            return None
        self.n_left -= len(vectors)
        return self._measure_all(vectors)


def _walk(point: FloatArray, free: BoolArray) -> Walk:
    """Begin a walk in small moves."""
    n = len(point)
    return Walk(point.copy(), np.inf, np.full(n, MOVE), np.zeros(n, np.int64), free=free)
