"""Basin hopping: local searches from many starts, then proposals from the best point.

`BasinHopping` goes through three parts. First it takes a few steps from each of the given starts
and drops the worse half, twice; then it takes the best three on until they bring little; then it
goes away from the best point, searches locally again, and keeps what is better [1]_. After a
proposal, only what belongs to it is fitted at first (a quarter of the dimensions is a quarter of
the work); a point that doesn't come near the best one so is given up, at the others everything is
fitted. It needs the single differences behind a loss, see `LocalSearch`.

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

from matcher.optimise._proposals import Proposals, choose_starts
from matcher.optimise.box import Box, check_number, check_told, check_version, finite_losses
from matcher.optimise.gauss_newton import LocalSearch, normal_equations
from shared.errors import ParameterError

if TYPE_CHECKING:
    import numpy.typing as npt

    from shared.types import Float32Array, FloatArray, IntArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = ["BasinHopping"]

# From how many of the starts a local search begins at most; it always does from the first.
MOST_SEARCHES = 10
# How far from its start a search begins, if there are several: a share of each range.
JITTER = 0.01
# How often the worse half of the starts is given up.
N_HALVINGS = 2
N_FINALISTS = 3
# Proposals that may bring less than this share of the loss, all together, before the search has
# converged; half of them try many points each.
PATIENCE, CONVERGED_GAIN = 30, 0.01
# How long local searches go on. The figures were chosen together, on known notes and a few
# recorded ones; none was tried by itself. Steps of each start before the worse half is given up:
HALVING_STEPS, MOST_STEPS = 3, 25
# From there on, a step brings so little (share of the loss) that proposals promise more.
SLOW_GAIN = 0.01
# After a proposal, so many steps fit what belongs to it. It is given up if it is this much worse
# than the best point after so many of them; then everything is fitted, in so many steps at most,
# and it is given up for the same reason. Where everything belongs to it, it has more time.
NARROW_STEPS, PROPOSED_STEPS = 4, 14
GIVE_UP_NARROW = ((1, 1.25), (2, 1.08), (3, 1.02), (4, 1.0))
GIVE_UP_WIDENED = ((2, 1.005), (4, 1.0))
GIVE_UP = ((3, 1.35), (6, 1.12), (10, 1.04))

_STATE_VERSION = 5
_PLAIN_FIELDS = (
    "starts", "coarse", "jitter", "is_proposing", "is_slopes", "n_searches", "part", "queue",
    "columns", "moved", "best", "best_loss", "i_search", "n_halvings", "marked_made",
    "marked_loss",
)  # fmt: skip
# Names of fields, and values, in states of version 4.
_EARLIER_NAME = "descent"
_EARLIER = {
    "walks": "searches", "hops": "proposals", "jumps": "rows", "n_hops": "n_made",
    "probed": "refitted", "probed_masks": "refitted_masks", "leap": "question",
    "places": "points", "is_leaping": "is_proposing", "n_walks": "n_searches",
    "i_walk": "i_search", "i_round": "n_halvings", "marked_hops": "marked_made",
    "probe": "slopes", "walk": "search",
}  # fmt: skip


class BasinHopping:
    """Searches locally from many starts, then proposes others from the best point.

    Parameters
    ----------
    box : Box
        Which dimensions are circular and which are stepped.
    seed : int >= 0
        Seed of all draws.
    starts : np.ndarray, shape=(n_starts, n_dimensions), n_starts >= 1
        Where to begin; all are scored, the best are searched from.
    proposals : np.ndarray, shape=(n_proposals, n_dimensions)
        Points to go to: what is NaN stays as it is.
    masks : np.ndarray of bool, shape=(n_proposals, n_dimensions)
        What is fitted first after each proposal; everything if left out.
    families : np.ndarray of int, shape=(n_proposals,)
        Which proposals are variants of one; none if left out.
    groups : np.ndarray of bool, shape=(n_groups, n_dimensions)
        Dimensions that belong together, and are drawn anew together.
    group_masks : np.ndarray of bool, shape=(n_groups, n_dimensions)
        What is fitted first after that; everything if left out.
    n_searches : int >= 1
        How many of the starts to search from.
    coarse : np.ndarray of bool, shape=(n_dimensions,)
        What moves in the first steps from several starts; everything if left out.
    jitter : float >= 0
        How far from its start a search begins, if there are several: a share of each range.
    """

    name = "basin-hopping"
    names = name, _EARLIER_NAME
    slowdown_note = ""

    def __init__(
        self,
        box: Box,
        *,
        seed: int,
        starts: FloatArray,
        proposals: FloatArray | None = None,
        masks: BoolArray | None = None,
        families: IntArray | None = None,
        groups: BoolArray | None = None,
        group_masks: BoolArray | None = None,
        n_searches: int = MOST_SEARCHES,
        coarse: BoolArray | None = None,
        jitter: float = JITTER,
    ) -> None:
        self._box = box
        self._rng = np.random.Generator(np.random.PCG64(seed))
        self._starts = box.fold(starts)
        self._proposals = Proposals.of(
            box.n_dimensions,
            rows=proposals,
            masks=masks,
            families=families,
            groups=groups,
            group_masks=group_masks,
        )
        self._is_proposing = False
        self._n_searches, self._jitter = n_searches, jitter
        self._coarse = np.ones(box.n_dimensions, bool) if coarse is None else coarse.copy()
        self._part = "scan"
        self._searches: list[LocalSearch] = []
        self._search = LocalSearch.at(self._starts[0])
        self._is_slopes = False
        self._queue = self._starts
        self._columns = np.empty(0, np.int64)
        self._moved = np.empty(0)
        self._best, self._best_loss = self._starts[0].copy(), math.inf
        self._i_search, self._n_halvings = 0, 0
        self._marked_made = 0
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
        return self._proposals.needs_residuals if self._is_proposing else self._is_slopes

    @property
    def is_converged(self) -> bool:
        """Whether proposals have brought nothing for long."""
        return self._proposals.n_made - self._marked_made >= PATIENCE

    def ask(self, n_candidates: int) -> FloatArray:
        """Propose candidates, up to `preferred_batch`; see `Sampler.ask`."""
        check_number("n_candidates", n_candidates, low=1)
        if n_candidates > len(self._queue):
            raise ParameterError(
                f"n_candidates is {n_candidates}; it must be 1 to {len(self._queue)} "
                "(preferred_batch).",
                name="n_candidates",
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
            self._choose_starts(values)
        elif self._is_proposing:
            known = (values, *(residuals or (None, None)))
            best = self._searches[0]
            self._follow(self._proposals.tell(self._rng, self._box, best, self._queue, known))
        elif self._is_slopes:
            self._try_steps(values, residuals)
        else:
            self._search.take_best(self._box, self._queue, values)
            self._go_on()

    def look_further(self) -> None:
        """Forget that the search has converged: the caller wants more of it."""
        self._marked_made = self._proposals.n_made

    def state(self) -> dict[str, Any]:
        """Return everything as arrays, numbers, strings and dicts; see `Sampler.state`."""
        searches = [*self._searches, self._search]
        return {
            "sampler": self.name,
            "version": _STATE_VERSION,
            "circular": self._box.circular.copy(),
            "cells": self._box.cells.copy(),
            "rng": self._rng.bit_generator.state,
            # The search at work is one of the list, except after a proposal.
            "searches": {str(i): asdict(search) for i, search in enumerate(searches)},
            "is_of_list": any(search is self._search for search in self._searches),
            "proposals": self._proposals.state(),
        } | {name: copy.deepcopy(getattr(self, f"_{name}")) for name in _PLAIN_FIELDS}

    @classmethod
    def from_state(cls, state: dict[str, Any]) -> BasinHopping:
        """Make the sampler that `state` describes."""
        if state["sampler"] == _EARLIER_NAME and state.get("version") == 4:
            state = _renamed(state) | {"version": _STATE_VERSION}
        check_version(state, _STATE_VERSION)
        box = Box(circular=np.array(state["circular"]), cells=np.array(state["cells"]))
        sampler = cls(box, seed=0, starts=np.array(state["starts"]))
        for name in _PLAIN_FIELDS:
            setattr(sampler, f"_{name}", copy.deepcopy(state[name]))
        saved = state["searches"]
        searches = [LocalSearch(**copy.deepcopy(saved[str(i)])) for i in range(len(saved))]
        sampler._proposals = Proposals.from_state(state["proposals"])
        sampler._searches, sampler._search = searches[:-1], searches[-1]
        if state["is_of_list"]:
            sampler._search = sampler._searches[state["i_search"]]
        sampler._rng.bit_generator.state = state["rng"]
        return sampler

    def _choose_starts(self, losses: FloatArray) -> None:
        """Begin searches at the best starts, the first one always among them."""
        points = self._starts[choose_starts(self._box, self._starts, losses, self._n_searches)]
        if len(self._starts) > 1 and self._jitter:
            # With other seeds they begin a little elsewhere: what is chance shows itself.
            points = self._box.fold(
                points + self._jitter * self._rng.standard_normal(points.shape)
            )
        self._searches = [LocalSearch.at(point, self._coarse) for point in points]
        self._part = "starts"
        self._begin(self._searches[0])

    def _begin(self, search: LocalSearch) -> None:
        """Ask for the slopes at the point of a search."""
        self._search = search
        self._queue, self._columns, self._moved = search.slope_points(self._box)
        self._is_slopes = True

    def _try_steps(
        self, losses: FloatArray, residuals: tuple[Float32Array, Float32Array] | None
    ) -> None:
        """Ask for the steps that the slopes suggest."""
        if residuals is None:
            raise ParameterError("tell came without learn; hand the differences over first.")
        self._search.loss = float(losses[0])
        normal, downhill = normal_equations(*residuals, self._moved)
        points = self._search.trial_points(self._box, self._columns, normal, downhill[0])
        self._is_slopes = False
        if len(points):
            self._queue = points
            return
        self._search.take_best(self._box, points, np.empty(0))
        self._go_on()

    def _go_on(self) -> None:
        """Take the next step of this search, or begin the next one."""
        while self._is_done(self._search):
            self._next_search()
            if self._part == "proposals":
                return
        self._begin(self._search)

    def _is_done(self, search: LocalSearch) -> bool:
        """Whether a search has had its share; what was held may have to be freed first."""
        if not self._has_had_its_share(search):
            return False
        is_behind = _is_behind(search, self._searches[0].loss, GIVE_UP_NARROW)
        if self._part == "proposals" and search.is_narrow and not is_behind:
            search.widen()
            return False
        return True

    def _has_had_its_share(self, search: LocalSearch) -> bool:
        """Whether a search ends here, or goes on with everything free."""
        if self._part == "starts":
            return search.is_over or search.n_steps >= HALVING_STEPS * (self._n_halvings + 1)
        is_slow = search.is_over or search.gain < SLOW_GAIN
        if self._part == "finals":
            return is_slow or search.n_steps >= MOST_STEPS
        best_loss = self._searches[0].loss
        if search.is_narrow:
            is_behind = _is_behind(search, best_loss, GIVE_UP_NARROW)
            return is_behind or search.is_over or search.n_steps >= NARROW_STEPS
        limits = GIVE_UP_WIDENED if search.was_narrow else GIVE_UP
        has_stepped = search.n_steps >= PROPOSED_STEPS
        return is_slow or has_stepped or _is_behind(search, best_loss, limits)

    def _next_search(self) -> None:
        """Choose the search that goes on, or make a proposal."""
        if self._part == "proposals":
            if self._search.loss < self._searches[0].loss:
                self._searches = [self._search]
            self._propose()
            return
        self._i_search += 1
        if self._i_search < len(self._searches):
            self._search = self._searches[self._i_search]
            return
        self._i_search = 0
        self._searches.sort(key=lambda search: search.loss)
        if self._part == "finals":
            self._part = "proposals"
            self._searches = self._searches[:1]
            self._marked_loss = self._searches[0].loss
            self._propose()
            return
        self._n_halvings += 1
        if self._n_halvings == N_HALVINGS:
            self._part = "finals"
            for search in self._searches:
                search.widen()
        n_kept = N_FINALISTS if self._part == "finals" else -(-len(self._searches) // 2)
        self._searches = self._searches[: max(n_kept, N_FINALISTS)]
        self._search = self._searches[0]

    def _propose(self) -> None:
        """Go away from the best point."""
        self._follow(self._proposals.begin(self._rng, self._box, self._searches[0]))

    def _follow(self, asked: LocalSearch | FloatArray) -> None:
        """Begin a local search, or score the points that a proposal has to know first."""
        self._is_proposing = not isinstance(asked, LocalSearch)
        if self._searches[0].loss < (1.0 - CONVERGED_GAIN) * self._marked_loss:
            self._marked_loss, self._marked_made = self._searches[0].loss, self._proposals.n_made
        if isinstance(asked, LocalSearch):
            self._begin(asked)
        else:
            self._is_slopes, self._queue = False, asked


def _is_behind(
    search: LocalSearch, best_loss: float, limits: tuple[tuple[int, float], ...]
) -> bool:
    """Whether a search is too much worse than the best point for the steps that it has had."""
    return any(search.n_steps == n and search.loss > ratio * best_loss for n, ratio in limits)


def _renamed(state: Any) -> Any:  # noqa: ANN401 (a tree of plain values)
    """Give the fields of an earlier state their present names."""
    if isinstance(state, dict):
        return {_EARLIER.get(key, key): _renamed(value) for key, value in state.items()}
    return _EARLIER.get(state, state) if isinstance(state, str) else state
