"""The search of a match: walks down the valleys, from many places, and jumps between them.

`DescentSampler` goes through three parts. First it takes a few steps from each of the given
starts and drops the worse half, twice; then it walks the best three to the bottom; then it jumps
away from the best point, walks down again, and keeps what is better (basin hopping [1]_). Jumps
lead by turns to a place that was handed in (a part of the voice switched on), or to the best of
many places that differ in one group of dimensions (an LFO with its phase), or to a random place.
Walks that fall behind are given up early. It needs the single differences behind a loss, see
`Walk`.

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

from matcher.search._arguments import (
    check_number,
    check_told,
    check_version,
    finite_losses,
)
from matcher.search._box import Box
from matcher.search._jumping import choose_starts, group_places, random_place, rank_places
from matcher.search._walk import Walk, first_walk, slopes_points, step_points, take_step
from shared.errors import ParameterError

if TYPE_CHECKING:
    import numpy.typing as npt

    from shared.types import Float32Array, FloatArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = ["DescentSampler"]

# How many of the starts are walked from at most; the first one always is.
MOST_WALKS = 10
# How far from its start a walk begins, if there are several: a share of each range.
JITTER = 0.01
# Steps of each walk before the worse half is given up, and how often that happens.
ROUND_STEPS, N_ROUNDS = 3, 2
N_FINALISTS = 3
MOST_STEPS = 25
HOP_STEPS = 14
# A walk after a jump is given up when it is this much worse than the best after so many steps.
GIVE_UP = ((3, 1.35), (6, 1.12), (10, 1.04))
# Of six jumps, these draw a group anew, if there are groups; the odd ones lead to given places.
TURNS, GROUP_TURNS = 6, (2, 4)
# Jumps that may bring less than this share of the loss, all together, before the search has
# converged; all those that were handed in come on top.
PATIENCE, CONVERGED_GAIN = 16, 0.01

_STATE_VERSION = 2
_PLAIN_FIELDS = (
    "starts", "jumps", "groups", "is_group", "is_ranking", "n_walks", "part", "is_slopes",
    "queue", "columns", "moved", "best", "best_loss", "i_walk", "i_round", "order", "n_hops",
    "n_idle", "marked_loss",
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
    groups : np.ndarray of bool, shape=(n_groups, n_dimensions)
        Dimensions that belong together, and are drawn anew together.
    n_walks : int >= 1
        How many of the starts to walk from.
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
        groups: BoolArray | None = None,
        n_walks: int = MOST_WALKS,
    ) -> None:
        self._box = box
        self._rng = np.random.Generator(np.random.PCG64(seed))
        self._starts = box.fold(starts)
        self._jumps = np.empty((0, box.n_dimensions)) if jumps is None else jumps.copy()
        self._groups = np.empty((0, box.n_dimensions), bool) if groups is None else groups.copy()
        self._is_group, self._is_ranking = False, False
        self._n_walks = n_walks
        self._part = "scan"
        self._walks: list[Walk] = []
        self._walk = first_walk(self._starts[0])
        self._is_slopes = False
        self._queue = self._starts
        self._columns = np.empty(0, np.int64)
        self._moved = np.empty(0)
        self._best, self._best_loss = self._starts[0].copy(), math.inf
        self._i_walk, self._i_round = 0, 0
        self._order = np.empty(0, np.int64)
        self._n_hops, self._n_idle = 0, 0
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
        return self._is_slopes

    @property
    def is_converged(self) -> bool:
        """Whether jumps have brought nothing for long."""
        return self._n_idle >= PATIENCE + len(self._jumps)

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
        elif self._is_ranking:
            self._is_ranking = False
            self._order = rank_places(self._walks[0].point, self._queue, values)
            self._take_jump()
        elif self._is_group:
            self._is_group = False
            self._begin(first_walk(self._queue[index]))
        elif self._is_slopes:
            self._try_steps(values, residuals)
        else:
            take_step(self._walk, self._box, self._queue, values)
            self._go_on()

    def look_further(self) -> None:
        """Forget that the search has converged: the caller wants more of it."""
        self._n_idle = 0

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
        } | {name: copy.deepcopy(getattr(self, f"_{name}")) for name in _PLAIN_FIELDS}

    @classmethod
    def from_state(cls, state: dict[str, Any]) -> DescentSampler:
        """Make the sampler that `state` describes."""
        check_version(state, _STATE_VERSION)
        box = Box(circular=np.array(state["circular"]), cells=np.array(state["cells"]))
        sampler = cls(box, seed=0, starts=np.array(state["starts"]))
        for name in _PLAIN_FIELDS:
            setattr(sampler, f"_{name}", copy.deepcopy(state[name]))
        walks = [Walk(**copy.deepcopy(state["walks"][str(i)])) for i in range(len(state["walks"]))]
        sampler._walks, sampler._walk = walks[:-1], walks[-1]
        if state["is_of_list"]:
            sampler._walk = sampler._walks[state["i_walk"]]
        sampler._rng.bit_generator.state = state["rng"]
        return sampler

    def _choose_walks(self, losses: FloatArray) -> None:
        """Begin walks at the best starts, the first one always among them."""
        points = self._starts[choose_starts(self._box, self._starts, losses, self._n_walks)]
        if len(self._starts) > 1:
            # Walks of other seeds begin a little elsewhere: what is chance shows itself.
            points = self._box.fold(points + JITTER * self._rng.standard_normal(points.shape))
        self._walks = [first_walk(point) for point in points]
        self._part = "starts"
        self._begin(self._walks[0])

    def _begin(self, walk: Walk) -> None:
        """Ask for the slopes at the point of a walk."""
        self._walk = walk
        self._queue, self._columns, self._moved = slopes_points(walk, self._box)
        self._is_slopes = True

    def _try_steps(
        self, losses: FloatArray, residuals: tuple[Float32Array, Float32Array] | None
    ) -> None:
        """Ask for the steps that the slopes suggest."""
        if residuals is None:
            raise ParameterError("tell came without learn; hand the differences over first.")
        self._walk.loss = float(losses[0])
        points = step_points(self._walk, self._box, (self._columns, self._moved), *residuals)
        self._is_slopes = False
        if len(points):
            self._queue = points
            return
        take_step(self._walk, self._box, points, np.empty(0))
        self._go_on()

    def _go_on(self) -> None:
        """Take the next step of this walk, or begin the next walk."""
        while self._is_done(self._walk):
            self._next_walk()
            if self._part == "hops":
                return
        self._begin(self._walk)

    def _is_done(self, walk: Walk) -> bool:
        """Whether a walk has had its share."""
        if walk.is_over:
            return True
        if self._part == "starts":
            return walk.n_steps >= ROUND_STEPS * (self._i_round + 1)
        if self._part == "finals":
            return walk.n_steps >= MOST_STEPS
        return walk.n_steps >= HOP_STEPS or any(
            walk.n_steps == n_steps and walk.loss > ratio * self._walks[0].loss
            for n_steps, ratio in GIVE_UP
        )

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
        n_kept = N_FINALISTS if self._part == "finals" else -(-len(self._walks) // 2)
        self._walks = self._walks[: max(n_kept, N_FINALISTS)]
        self._walk = self._walks[0]

    def _land(self) -> None:
        """Keep the end of a jump if it is better, and jump again."""
        if self._walk.loss < self._walks[0].loss:
            self._walks = [self._walk]
            self._order = np.empty(0, np.int64)  # from here, other jumps may be the best ones
        self._n_idle += 1
        if self._walks[0].loss < (1.0 - CONVERGED_GAIN) * self._marked_loss:
            self._marked_loss, self._n_idle = self._walks[0].loss, 0
        self._jump()

    def _jump(self) -> None:
        """Begin a walk away from the best point: a given place, a group, or a random place."""
        point = self._walks[0].point
        self._n_hops += 1
        self._is_slopes = False
        if len(self._groups) and self._n_hops % TURNS in GROUP_TURNS:
            group = self._groups[self._rng.integers(len(self._groups))]
            self._queue = self._box.fold(group_places(self._rng, self._box, point, group))
            self._is_group = True
        elif not len(self._jumps) or not self._n_hops % 2:
            self._begin(
                first_walk(self._box.fold(random_place(self._rng, self._box, point)[None])[0])
            )
        elif len(self._order):
            self._take_jump()
        else:
            self._queue = self._places()
            self._is_ranking = True

    def _places(self) -> FloatArray:
        """Where the given jumps lead from the best point, shape (n_jumps, n_dimensions)."""
        point = self._walks[0].point
        return self._box.fold(np.where(np.isnan(self._jumps), point, self._jumps))

    def _take_jump(self) -> None:
        """Begin a walk at the most promising place that hasn't been tried."""
        jump, self._order = self._order[0], self._order[1:]
        self._begin(first_walk(self._places()[jump]))
