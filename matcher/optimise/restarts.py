"""CMA-ES with restarts, made for batches of candidates over the unit box.

One run of CMA-ES goes into one valley. `CmaesSampler` begins run after run: the first from the
given starts (or from the middle of the box), then by turns *wide* ones, from a random point with
twice the population each time, and *near* ones, around the best candidate so far with a smaller
step. That is the idea of BI-population CMA-ES [1]_; unlike there, near runs begin at the best
candidate, since a patch that is nearly right is worth refining.

References
----------
.. [1] N. Hansen, "Benchmarking a BI-Population CMA-ES on the BBOB-2009 Function Testbed", GECCO
   2009 (workshop), section 2.
"""

from __future__ import annotations

import copy
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.optimise.box import Box, check_number, check_told, check_version, finite_losses
from matcher.optimise.cma_es import NormalDistribution, correct_margins, limit_width, recentre

if TYPE_CHECKING:
    import numpy.typing as npt

    from shared.types import FloatArray

__all__ = ["CmaesSampler"]

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
# Doubling stops at 16 times the first population: a generation of more would outlast the budgets
# that a match has.
_MOST_DOUBLINGS = 4

# A near run may use half of what the last other run used, as in section 2 of the reference.
_NEAR_SHARE = 0.5

_STATE_VERSION = 1
_PLAIN_FIELDS = (
    "starts",
    "sigma",
    "population",
    "best",
    "best_loss",
    "n_wide",
    "n_told",
    "last_length",
    "n_asked",
    "is_seeding",
    "pending",
    "pending_normals",
)


class Run:
    """One run from a centre until it has nothing more to find; "first", "wide" or "near"."""

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
        points = self._distribution.draw(normals, self._widening)
        for _ in range(_N_REDRAWS):
            outside = self._box.is_outside(points)
            if not outside.any():
                break
            normals[outside] = rng.standard_normal((int(outside.sum()), normals.shape[1]))
            points[outside] = self._distribution.draw(normals[outside], self._widening)
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
        recentre(self._distribution, self._box)
        limit_width(self._distribution, self._box)
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

    def _is_flat(self) -> bool:
        """Tell whether the best losses of the whole window are the same."""
        if len(self._bests) < self._window:
            return False
        low, high = float(self._bests.min()), float(self._bests.max())
        if math.isinf(high):
            return math.isinf(low)
        return high - low <= _FLAT_RATIO * max(abs(low), abs(high))


class CmaesSampler:
    """CMA-ES with restarts; arguments are those of `make_sampler`.

    A generation ends when it is full and all that was asked has been told, so that batches of any
    size will do; who keeps batches on their way without a break keeps it from learning.
    """

    name = "cmaes"
    slowdown_note = ""
    is_converged = False

    def __init__(
        self, box: Box, *, seed: int, starts: FloatArray, sigma: float, population: int
    ) -> None:
        n_dimensions = box.n_dimensions
        self._box = box
        self._rng = np.random.Generator(np.random.PCG64(seed))
        self._starts = box.fold(starts)
        self._sigma = sigma
        self._population = population
        self._best = np.full(n_dimensions, 0.5)
        self._best_loss = math.inf
        self._n_wide = 0
        self._n_told = {"first": 0, "wide": 0, "near": 0}
        self._last_length = 0
        # Asked and not yet told, with the normal numbers behind them.
        self._pending = np.empty((0, n_dimensions))
        self._pending_normals = np.empty((0, n_dimensions))
        self._n_asked = 0
        # Starts come from elsewhere: the distribution learns their best only, as its mean.
        self._is_seeding = len(starts) > 0
        self._run = Run(
            box,
            "first",
            self._best,
            sigma=sigma,
            # Whole batches of 16, the renderer's, if there are more starts than a generation.
            population=max(population, 16 * math.ceil(len(starts) / 16)),
        )

    @property
    def n_dimensions(self) -> int:
        """Length of a candidate."""
        return self._box.n_dimensions

    @property
    def preferred_batch(self) -> int:
        """What is missing in the present generation."""
        return max(1, self._run.n_missing - len(self._pending))

    def ask(self, n_candidates: int) -> FloatArray:
        """Propose candidates; see `Sampler.ask`."""
        check_number("n_candidates", n_candidates, low=1)
        if self._is_seeding:
            candidates, normals = self._seed(n_candidates)
        else:
            candidates, normals = self._run.draw(n_candidates, self._rng)
        self._n_asked += n_candidates
        self._pending = np.concatenate([self._pending, candidates])
        self._pending_normals = np.concatenate([self._pending_normals, normals])
        return candidates.copy()

    def tell(self, candidates: FloatArray, losses: npt.ArrayLike) -> None:
        """Learn the losses of candidates; see `Sampler.tell`."""
        n_told = check_told(candidates, self._pending)
        values = finite_losses(losses, n_told)
        self._keep_best(self._pending[:n_told], values)
        self._run.collect(self._pending_normals[:n_told], values)
        self._n_told[self._run.kind] += n_told
        self._pending = self._pending[n_told:]
        self._pending_normals = self._pending_normals[n_told:]
        # Draws still pending come from the present distribution and are learnt with it.
        if self._run.n_missing <= 0 and not len(self._pending):
            self._end_generation()

    def state(self) -> dict[str, Any]:
        """Return everything as arrays, numbers, strings and dicts; see `Sampler.state`."""
        return {
            "sampler": self.name,
            "version": _STATE_VERSION,
            "circular": self._box.circular.copy(),
            "cells": self._box.cells.copy(),
            "rng": self._rng.bit_generator.state,
            "run": self._run.state(),
        } | {name: copy.deepcopy(getattr(self, f"_{name}")) for name in _PLAIN_FIELDS}

    @classmethod
    def from_state(cls, state: dict[str, Any]) -> CmaesSampler:
        """Make the sampler that `state` describes."""
        check_version(state, _STATE_VERSION)
        box = Box(circular=np.array(state["circular"]), cells=np.array(state["cells"]))
        sampler = cls(
            box,
            seed=0,
            starts=state["starts"],
            sigma=state["sigma"],
            population=state["population"],
        )
        for name in _PLAIN_FIELDS:
            setattr(sampler, f"_{name}", copy.deepcopy(state[name]))
        sampler._rng.bit_generator.state = state["rng"]
        sampler._run = Run.from_state(state["run"], box)
        return sampler

    def _seed(self, n_candidates: int) -> tuple[FloatArray, FloatArray]:
        """Hand out the starts, then draws around each of them in turn."""
        places = np.arange(self._n_asked, self._n_asked + n_candidates)
        normals = self._rng.standard_normal((n_candidates, self.n_dimensions))
        normals[places < len(self._starts)] = 0.0
        centres = self._starts[places % len(self._starts)]
        return self._box.fold(centres + self._sigma * normals), normals

    def _keep_best(self, candidates: FloatArray, losses: FloatArray) -> None:
        """Remember the best candidate so far; of equal ones the first."""
        index = int(np.argmin(losses))
        if losses[index] < self._best_loss:
            self._best, self._best_loss = candidates[index].copy(), float(losses[index])

    def _end_generation(self) -> None:
        """Let the run learn; begin another run when it has nothing more to find."""
        if self._is_seeding:
            self._is_seeding = False
            self._begin("first", self._best, sigma=self._sigma, population=self._population)
            return
        self._run.end_generation()
        if self._run.is_finished() or self._is_spent():
            self._restart()

    def _is_spent(self) -> bool:
        """Tell whether a near run has used its share."""
        return self._run.kind == "near" and self._run.n_told >= _NEAR_SHARE * self._last_length

    def _restart(self) -> None:
        """Begin the kind of run that has had less so far, near before wide."""
        if self._run.kind != "near":
            self._last_length = self._run.n_told
        if self._n_told["near"] <= self._n_told["wide"]:
            # Hansen 2009, section 2: the initial step of the small regime, between 1 and 1/100.
            sigma = self._sigma * 10.0 ** (-2.0 * self._rng.random())
            self._begin("near", self._best, sigma=sigma, population=self._population)
            return
        self._n_wide += 1
        population = self._population * 2 ** min(self._n_wide, _MOST_DOUBLINGS)
        centre = self._rng.random(self.n_dimensions)
        self._begin("wide", centre, sigma=self._sigma, population=population)

    def _begin(self, kind: str, centre: FloatArray, *, sigma: float, population: int) -> None:
        """Begin a run."""
        self._run = Run(self._box, kind, centre, sigma=sigma, population=population)
