"""The search of a match: walks down the valleys, from many places, and jumps between them.

`DescentSampler` goes through three parts. First it takes a few steps from each of the given
starts and drops the worse half, twice; then it walks the best three on until they bring little;
then it jumps away from the best point, walks down again, and keeps what is better (basin hopping
[1]_). After a jump, only what belongs to it is fitted at first (a quarter of the dimensions is a
quarter of the work); a place that doesn't come near the best point so is given up, at the others
everything is fitted. It needs the single differences behind a loss, see `LocalSearch`.

References
----------
.. [1] D. J. Wales and J. P. K. Doye, "Global Optimization by Basin-Hopping and the Lowest Energy
   Structures of Lennard-Jones Clusters", J. Phys. Chem. A 101, 1997.
"""

from __future__ import annotations

import copy
import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.optimise._arguments import (
    check_number,
    check_told,
    check_version,
    finite_losses,
)
from matcher.optimise._box import Box
from matcher.optimise._hops import Hops
from matcher.optimise._jumping import choose_starts
from matcher.optimise._shares import has_had_its_share, is_worth_widening
from matcher.optimise.gauss_newton import LocalSearch, normal_equations
from shared.errors import ParameterError

if TYPE_CHECKING:
    import numpy.typing as npt

    from shared.types import Float32Array, FloatArray, IntArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = ["DescentSampler"]

# How many of the starts are walked from at most; the first one always is.
MOST_WALKS = 10
# How far from its start a walk begins, if there are several: a share of each range.
JITTER = 0.01
# How often the worse half of the starts is given up.
N_ROUNDS = 2
N_FINALISTS = 3
# Jumps that may bring less than this share of the loss, all together, before the search has
# converged; half of them probe many places each.
PATIENCE, CONVERGED_GAIN = 30, 0.01

_STATE_VERSION = 4
_PLAIN_FIELDS = (
    "starts", "coarse", "jitter", "is_leaping", "is_slopes", "n_walks", "part", "queue", "columns",
    "moved", "best", "best_loss", "i_walk", "i_round", "marked_hops", "marked_loss",
)  # fmt: skip


class DescentSampler:
    """Walks from many starts, then jumps and walks from the best point.

    Parameters
    ----------
    box : Box
        Which dimensions go round and which are stepped.
    seed : int >= 0
        Seed of all draws.
    starts : np.ndarray, shape=(n_starts, n_dimensions), n_starts >= 1
        Where to begin; all are scored, the best are walked from.
    jumps : np.ndarray, shape=(n_jumps, n_dimensions)
        Places to jump to: what is NaN stays as it is.
    masks : np.ndarray of bool, shape=(n_jumps, n_dimensions)
        What is fitted first after each jump; everything if left out.
    families : np.ndarray of int, shape=(n_jumps,)
        Which jumps are variants of one; none if left out.
    groups : np.ndarray of bool, shape=(n_groups, n_dimensions)
        Dimensions that belong together, and are drawn anew together.
    group_masks : np.ndarray of bool, shape=(n_groups, n_dimensions)
        What is fitted first after that; everything if left out.
    n_walks : int >= 1
        How many of the starts to walk from.
    coarse : np.ndarray of bool, shape=(n_dimensions,)
        What moves in the first steps from several starts; everything if left out.
    jitter : float >= 0
        How far from its start a walk begins, if there are several: a share of each range.
    """

    name = "descent"
    slows_down = False
    slowdown_note = ""

    def __init__(
        self,
        box: Box,
        *,
        seed: int,
        starts: FloatArray,
        jumps: FloatArray | None = None,
        masks: BoolArray | None = None,
        families: IntArray | None = None,
        groups: BoolArray | None = None,
        group_masks: BoolArray | None = None,
        n_walks: int = MOST_WALKS,
        coarse: BoolArray | None = None,
        jitter: float = JITTER,
    ) -> None:
        self._box = box
        self._rng = np.random.Generator(np.random.PCG64(seed))
        self._starts = box.fold(starts)
        self._hops = Hops.of(
            box.n_dimensions,
            jumps=jumps,
            masks=masks,
            families=families,
            groups=groups,
            group_masks=group_masks,
        )
        self._is_leaping = False
        self._n_walks, self._jitter = n_walks, jitter
        self._coarse = np.ones(box.n_dimensions, bool) if coarse is None else coarse.copy()
        self._part = "scan"
        self._walks: list[LocalSearch] = []
        self._walk = LocalSearch.at(self._starts[0])
        self._is_slopes = False
        self._queue = self._starts
        self._columns = np.empty(0, np.int64)
        self._moved = np.empty(0)
        self._best, self._best_loss = self._starts[0].copy(), math.inf
        self._i_walk, self._i_round = 0, 0
        self._marked_hops = 0
        self._marked_loss = math.inf
        self._residuals: tuple[Float32Array, Float32Array] | None = None

    @property
    def n_dimensions(self) -> int:
        """Length of a candidate."""
        return self._box.n_dimensions

    @property
    def preferred_batch(self) -> int:
        """How many candidates come next; more can't be asked for."""
        return len(self._queue)

    @property
    def needs_residuals(self) -> bool:
        """Whether `learn` has to be called before the next `tell`."""
        return self._hops.needs_residuals if self._is_leaping else self._is_slopes

    @property
    def is_converged(self) -> bool:
        """Whether jumps have brought nothing for long."""
        return self._hops.n_hops - self._marked_hops >= PATIENCE

    def ask(self, n_candidates: int) -> FloatArray:
        """Propose candidates; see `Sampler.ask`.

        Raises
        ------
        ParameterError
            If more than `preferred_batch` are asked for.
        """
        check_number("n_candidates", n_candidates, low=1)
        if n_candidates > len(self._queue):
            raise ParameterError(
                f"n_candidates is {n_candidates}; 1 to {len(self._queue)} (preferred_batch) is "
                "accepted.",
                name="n_candidates",
                value=n_candidates,
            )
        return self._queue[:n_candidates].copy()

    def learn(self, residuals: Float32Array, weights: Float32Array) -> None:
        """Take the differences of the candidates that are told next.

        Parameters
        ----------
        residuals : np.ndarray, shape=(n_candidates, n_differences), dtype=float32
            Signed differences of the batch that was asked for.
        weights : np.ndarray, shape=(n_differences,), dtype=float32
            What each difference weighs in the loss.
        """
        self._residuals = residuals, weights

    def tell(self, candidates: FloatArray, losses: npt.ArrayLike) -> None:
        """Learn the losses of candidates; see `Sampler.tell`.

        A batch that isn't complete (the budget has ended) is asked for again as a whole.
        """
        n_told = check_told(candidates, self._queue)
        values = finite_losses(losses, n_told)
        residuals, self._residuals = self._residuals, None
        index = int(np.argmin(values))
        if values[index] < self._best_loss:
            self._best, self._best_loss = self._queue[index].copy(), float(values[index])
        if n_told < len(self._queue):
            return
        if self._part == "scan":
            self._choose_walks(values)
        elif self._is_leaping:
            told = (values, *(residuals or (None, None)))
            best = self._walks[0]
            self._follow(self._hops.tell(self._rng, self._box, best, self._queue, told))
        elif self._is_slopes:
            self._try_steps(values, residuals)
        else:
            self._walk.take_best(self._box, self._queue, values)
            self._go_on()

    def look_further(self) -> None:
        """Forget that the search has converged: the caller wants more of it."""
        self._marked_hops = self._hops.n_hops

    def state(self) -> dict[str, Any]:
        """Return everything as arrays, numbers, strings and dicts; see `Sampler.state`."""
        walks = [*self._walks, self._walk]
        return {
            "sampler": self.name,
            "version": _STATE_VERSION,
            "circular": self._box.circular.copy(),
            "cells": self._box.cells.copy(),
            "rng": self._rng.bit_generator.state,
            # The walk that is on its way is one of the list, except after a jump.
            "walks": {str(i): asdict(walk) for i, walk in enumerate(walks)},
            "is_of_list": any(walk is self._walk for walk in self._walks),
            "hops": self._hops.state(),
        } | {name: copy.deepcopy(getattr(self, f"_{name}")) for name in _PLAIN_FIELDS}

    @classmethod
    def from_state(cls, state: dict[str, Any]) -> DescentSampler:
        """Make the sampler that `state` describes."""
        check_version(state, _STATE_VERSION)
        box = Box(circular=np.array(state["circular"]), cells=np.array(state["cells"]))
        sampler = cls(box, seed=0, starts=np.array(state["starts"]))
        for name in _PLAIN_FIELDS:
            setattr(sampler, f"_{name}", copy.deepcopy(state[name]))
        walks = [
            LocalSearch(**copy.deepcopy(state["walks"][str(i)]))
            for i in range(len(state["walks"]))
        ]
        sampler._hops = Hops.from_state(state["hops"])
        sampler._walks, sampler._walk = walks[:-1], walks[-1]
        if state["is_of_list"]:
            sampler._walk = sampler._walks[state["i_walk"]]
        sampler._rng.bit_generator.state = state["rng"]
        return sampler

    def _choose_walks(self, losses: FloatArray) -> None:
        """Begin walks at the best starts, the first one always among them."""
        points = self._starts[choose_starts(self._box, self._starts, losses, self._n_walks)]
        if len(self._starts) > 1 and self._jitter:
            # Walks of other seeds begin a little elsewhere: what is chance shows itself.
            points = self._box.fold(
                points + self._jitter * self._rng.standard_normal(points.shape)
            )
        self._walks = [LocalSearch.at(point, self._coarse) for point in points]
        self._part = "starts"
        self._begin(self._walks[0])

    def _begin(self, walk: LocalSearch) -> None:
        """Ask for the slopes at the point of a walk."""
        self._walk = walk
        self._queue, self._columns, self._moved = walk.slope_points(self._box)
        self._is_slopes = True

    def _try_steps(
        self, losses: FloatArray, residuals: tuple[Float32Array, Float32Array] | None
    ) -> None:
        """Ask for the steps that the slopes suggest."""
        if residuals is None:
            raise ParameterError("tell came without learn; hand the differences over first.")
        self._walk.loss = float(losses[0])
        normal, downhill = normal_equations(*residuals, self._moved)
        points = self._walk.trial_points(self._box, self._columns, normal, downhill[0])
        self._is_slopes = False
        if len(points):
            self._queue = points
            return
        self._walk.take_best(self._box, points, np.empty(0))
        self._go_on()

    def _go_on(self) -> None:
        """Take the next step of this walk, or begin the next walk."""
        while self._is_done(self._walk):
            self._next_walk()
            if self._part == "hops":
                return
        self._begin(self._walk)

    def _is_done(self, walk: LocalSearch) -> bool:
        """Whether a walk has had its share; what was held after a jump may have to be freed."""
        best_loss = self._walks[0].loss
        if not has_had_its_share(walk, self._part, i_round=self._i_round, best_loss=best_loss):
            return False
        if self._part == "hops" and is_worth_widening(walk, best_loss):
            walk.widen()
            return False
        return True

    def _next_walk(self) -> None:
        """Choose the walk that goes on, or jump."""
        if self._part == "hops":
            self._land()
            return
        self._i_walk += 1
        if self._i_walk < len(self._walks):
            self._walk = self._walks[self._i_walk]
            return
        self._i_walk = 0
        self._walks.sort(key=lambda walk: walk.loss)
        if self._part == "finals":
            self._part = "hops"
            self._walks = self._walks[:1]
            self._marked_loss = self._walks[0].loss
            self._jump()
            return
        self._i_round += 1
        if self._i_round == N_ROUNDS:
            self._part = "finals"
            for walk in self._walks:
                walk.widen()
        n_kept = N_FINALISTS if self._part == "finals" else -(-len(self._walks) // 2)
        self._walks = self._walks[: max(n_kept, N_FINALISTS)]
        self._walk = self._walks[0]

    def _land(self) -> None:
        """Keep the end of a jump if it is better, and jump again."""
        if self._walk.loss < self._walks[0].loss:
            self._walks = [self._walk]
        self._jump()

    def _jump(self) -> None:
        """Jump away from the best point."""
        self._follow(self._hops.begin(self._rng, self._box, self._walks[0]))

    def _follow(self, leap: LocalSearch | FloatArray) -> None:
        """Begin a walk, or score the places that a jump has to know first."""
        self._is_leaping = not isinstance(leap, LocalSearch)
        if self._walks[0].loss < (1.0 - CONVERGED_GAIN) * self._marked_loss:
            self._marked_loss, self._marked_hops = self._walks[0].loss, self._hops.n_hops
        if isinstance(leap, LocalSearch):
            self._begin(leap)
        else:
            self._is_slopes, self._queue = False, leap
