"""One run of CMA-ES in the unit box, from a centre until it has nothing more to find."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.optimise._cma import NormalDistribution
from matcher.optimise._margin import correct_margins

if TYPE_CHECKING:
    from matcher.optimise._box import Box
    from shared.types import FloatArray

# A draw beyond a wall is drawn again this often before it is mirrored. Near a corner nearly all
# draws lie outside, so drawing on until one fits would not end; mirroring all of them costs half
# of the precision where parameters depend on each other. Measured: see DEVELOPERS.md.
_N_REDRAWS = 5

# A run ends when its draws agree to a ten-thousandth of each range (finer than can be heard or
# dialled in), ...
_FINEST_DEVIATION = 1e-4
# ... when the best losses of a window of generations agree to a thousandth of their size, ...
_FLAT_RATIO = 1e-3
# ... or when the factor of the covariance loses its digits: 1e14 between the variances of two
# directions, the ConditionCov rule of Hansen 2009 (see `restarts`), section 2.
_WIDEST_FACTOR_RATIO = 1e7


class Run:
    """The state of one run.

    Parameters
    ----------
    box : Box
        Which dimensions go round and which are stepped.
    kind : str
        ``"first"``, ``"wide"`` or ``"near"``.
    centre : np.ndarray, shape=(n_dimensions,)
        Mean of the first draws.
    sigma : float > 0
        Their standard deviation.
    population : int >= 4
        Smallest number of candidates in a generation.
    """

    def __init__(
        self, box: Box, kind: str, centre: FloatArray, *, sigma: float, population: int
    ) -> None:
        self.kind = kind
        self.population = population
        self.n_told = 0
        self._box = box
        self._distribution = NormalDistribution(centre.copy(), sigma)
        self._widening = np.ones(box.n_dimensions)
        self._normals = np.empty((0, box.n_dimensions))
        self._losses = np.empty(0)
        self._bests = np.empty(0)

    @property
    def n_missing(self) -> int:
        """How many candidates the present generation still needs."""
        return self.population - len(self._losses)

    def draw(self, n_candidates: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
        """Draw candidates, with the normal numbers that `collect` wants back."""
        normals = rng.standard_normal((n_candidates, self._box.n_dimensions))
        points = self._place(normals)
        for _ in range(_N_REDRAWS):
            outside = self._box.is_outside(points)
            if not outside.any():
                break
            normals[outside] = rng.standard_normal((int(outside.sum()), normals.shape[1]))
            points[outside] = self._place(normals[outside])
        return self._box.fold(points), normals

    def collect(self, normals: FloatArray, losses: FloatArray) -> None:
        """Add told candidates to the present generation."""
        self._normals = np.concatenate([self._normals, normals])
        self._losses = np.concatenate([self._losses, losses])
        self.n_told += len(losses)

    def end_generation(self) -> None:
        """Learn from the generation and begin the next."""
        # Equal losses keep the order in which they were drawn, whatever the platform's sort.
        order = np.argsort(self._losses, kind="stable")
        self._distribution.learn(self._normals[order])
        self._box.recentre(self._distribution)
        self._box.limit_width(self._distribution)
        correct_margins(
            self._distribution, self._widening, self._box, n_candidates=len(self._losses)
        )
        self._bests = np.append(self._bests, self._losses.min())[-self._window :]
        self._normals, self._losses = self._normals[:0], self._losses[:0]

    def is_finished(self) -> bool:
        """Tell whether the run has converged, goes nowhere, or has lost its digits."""
        deviations = self._distribution.deviations()[self._box.cells == 0]
        pivots = np.diagonal(self._distribution.factor)
        return (
            (len(deviations) > 0 and float(deviations.max()) < _FINEST_DEVIATION)
            or self._is_flat()
            or float(pivots.max()) > _WIDEST_FACTOR_RATIO * float(pivots.min())
        )

    def state(self) -> dict[str, Any]:
        """Return everything as arrays, numbers and strings."""
        distribution = self._distribution
        return {
            "kind": self.kind,
            "population": self.population,
            "n_told": self.n_told,
            "mean": distribution.mean.copy(),
            "step_size": distribution.step_size,
            "covariance": distribution.covariance.copy(),
            "factor": distribution.factor.copy(),
            "step_path": distribution.step_path.copy(),
            "shape_path": distribution.shape_path.copy(),
            "n_generations": distribution.n_generations,
            "widening": self._widening.copy(),
            "normals": self._normals.copy(),
            "losses": self._losses.copy(),
            "bests": self._bests.copy(),
        }

    @classmethod
    def from_state(cls, state: dict[str, Any], box: Box) -> Run:
        """Make the run that `state` describes."""
        run = cls(
            box,
            state["kind"],
            state["mean"],
            sigma=state["step_size"],
            population=state["population"],
        )
        run.n_told = state["n_told"]
        for name in ("covariance", "factor", "step_path", "shape_path"):
            setattr(run._distribution, name, np.array(state[name]))
        run._distribution.n_generations = state["n_generations"]
        run._widening = np.array(state["widening"])
        run._normals = np.array(state["normals"])
        run._losses = np.array(state["losses"])
        run._bests = np.array(state["bests"])
        return run

    @property
    def _window(self) -> int:
        """Generations over which the best loss has to move (TolHistFun in Hansen 2009)."""
        return 10 + math.ceil(30 * self._box.n_dimensions / self.population)

    def _place(self, normals: FloatArray) -> FloatArray:
        """Turn normal numbers into points, before they are folded into the box."""
        distribution = self._distribution
        offsets = self._widening * distribution.shaped(normals)
        return distribution.mean + distribution.step_size * offsets

    def _is_flat(self) -> bool:
        """Tell whether the best losses of the whole window are the same."""
        if len(self._bests) < self._window:
            return False
        low, high = float(self._bests.min()), float(self._bests.max())
        if math.isinf(high):
            return math.isinf(low)
        return high - low <= _FLAT_RATIO * max(abs(low), abs(high))
