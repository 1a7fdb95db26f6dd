"""Where a search jumps to from its best point, and what is fitted there first.

A jump leads by turns to a place that was handed in (a part of the voice switched on), to the best
of many places that differ in one group of dimensions (an LFO with its phase), or to a random
place. Places that were handed in are ranked by their losses, and of each family (one change with
many phases) the best is kept. These are probed, many at a time: what belongs to a change is fitted
in one step with the slopes of the best point, which are measured once for all of them. Only what
comes out near the best point is walked from.
"""

from __future__ import annotations

import copy
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.optimise._jumping import group_places, random_place, rank_places
from matcher.optimise.gauss_newton import REFITS, LocalSearch, normal_equations, refit_points
from shared.errors import ParameterError

if TYPE_CHECKING:
    import numpy.typing as npt

    from matcher.optimise._box import Box
    from shared.types import Float32Array, FloatArray, IntArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = ["Hops", "Leap"]

# Of so many jumps, these draw a group anew and these lead to a random place, if there are others.
TURNS, GROUP_TURNS, RANDOM_TURNS = 6, (2, 4, 5), (0,)
# So many places are probed at a time.
PROBED_TOGETHER = 32
# Of those, so many are walked from at most: the best one, and others whose losses aren't higher
# than that of the best point by more than this.
MOST_WALKED, WORTH_A_WALK = 2, 1.05


@dataclass
class Leap:
    """What a search is about to learn before it walks again.

    Attributes
    ----------
    kind : str
        "rank" (the losses of these places), "probe" (how they differ from the target, beside the
        slopes of the best point), "fitted" (the losses of what was fitted to them so), "best"
        (which of them is the best), or "walk" (nothing: there is one place).
    places : np.ndarray, shape=(n_places, n_dimensions)
        The places.
    masks : np.ndarray of bool, shape=(n_places, n_dimensions)
        What is fitted first at each.
    changed : np.ndarray of bool, shape=(n_places, n_dimensions)
        What was changed on purpose.
    columns : np.ndarray of int, shape=(n_moved,)
        Which dimensions of the best point were moved.
    moved : np.ndarray, shape=(n_moved,)
        By how much.
    """

    kind: str
    places: FloatArray
    masks: BoolArray
    changed: BoolArray
    columns: IntArray = field(default_factory=lambda: np.empty(0, np.int64))
    moved: FloatArray = field(default_factory=lambda: np.empty(0))


@dataclass
class Hops:
    """Jumps of a search, and which of them come next.

    Parameters
    ----------
    jumps : np.ndarray, shape=(n_jumps, n_dimensions)
        Places to jump to: what is NaN stays as it is.
    masks : np.ndarray of bool, shape=(n_jumps, n_dimensions)
        What is fitted first after each.
    families : np.ndarray of int, shape=(n_jumps,)
        Which of them are variants of one.
    groups, group_masks : np.ndarray of bool, shape=(n_groups, n_dimensions)
        Dimensions that are drawn anew together, and what is fitted first after that.
    n_hops : int
        Jumps so far.
    order : np.ndarray of int
        Jumps that are ranked and still to be probed, the most promising first.
    probed : np.ndarray, shape=(n_left, n_dimensions)
        Places that were probed and are still to be walked from.
    probed_masks : np.ndarray of bool, shape=(n_left, n_dimensions)
        What is fitted first there.
    leap : Leap, optional
        What is being asked for.
    """

    jumps: FloatArray
    masks: BoolArray
    families: IntArray
    groups: BoolArray
    group_masks: BoolArray
    n_hops: int = 0
    order: IntArray = field(default_factory=lambda: np.empty(0, np.int64))
    probed: FloatArray = field(default_factory=lambda: np.empty((0, 0)))
    probed_masks: BoolArray = field(default_factory=lambda: np.empty((0, 0), bool))
    leap: Leap | None = None

    @classmethod
    def of(
        cls,
        n_dimensions: int,
        *,
        jumps: FloatArray | None,
        masks: BoolArray | None,
        families: IntArray | None,
        groups: BoolArray | None,
        group_masks: BoolArray | None,
    ) -> Hops:
        """Fill in what is left out: every dimension is fitted, each jump is a family."""
        rows = np.empty((0, n_dimensions)) if jumps is None else jumps.copy()
        drawn = np.empty((0, n_dimensions), bool) if groups is None else groups.copy()
        return cls(
            rows,
            np.ones(rows.shape, bool) if masks is None else masks.copy(),
            np.arange(len(rows)) if families is None else families.copy(),
            drawn,
            np.ones(drawn.shape, bool) if group_masks is None else group_masks.copy(),
        )

    @property
    def _asked(self) -> Leap:
        """What is being asked for."""
        if self.leap is None:
            raise ParameterError("tell came before ask. Ask for candidates first.")
        return self.leap

    @property
    def needs_residuals(self) -> bool:
        """Whether the single differences of what was asked for are needed."""
        return self.leap is not None and self.leap.kind == "probe"

    def state(self) -> dict[str, Any]:
        """Return everything as arrays, numbers, strings and dicts."""
        return copy.deepcopy(asdict(self))

    @classmethod
    def from_state(cls, state: dict[str, Any]) -> Hops:
        """Make the jumps that `state` describes."""
        told = copy.deepcopy(state)
        leap = told.pop("leap")
        return cls(**told, leap=None if leap is None else Leap(**leap))

    def begin(
        self, rng: np.random.Generator, box: Box, best: LocalSearch
    ) -> LocalSearch | FloatArray:
        """Jump away from the best point.

        Returns
        -------
        LocalSearch or np.ndarray, shape=(n_candidates, n_dimensions)
            The walk to take, or what `tell` has to be told before there is one.
        """
        return self._ask(box, best, self._next(rng, box, best.point))

    def tell(
        self,
        rng: np.random.Generator,
        box: Box,
        best: LocalSearch,
        queue: FloatArray,
        told: tuple[FloatArray, Float32Array | None, Float32Array | None],
    ) -> LocalSearch | FloatArray:
        """Learn what was asked for: losses, and single differences with weights if needed.

        Returns
        -------
        LocalSearch or np.ndarray
            As from `begin`. The walk at the best point may have taken a step.
        """
        leap, (losses, residuals, weights) = self._asked, told
        if leap.kind == "best":
            index = int(np.argmin(losses))
            self.leap = None
            return LocalSearch.at(queue[index], leap.masks[index])
        if leap.kind == "rank":
            self._rank(leap, best.point, losses)
        elif leap.kind == "fitted":
            self._choose_fitted(box, best, queue, losses)
            self.leap = None
        elif residuals is not None and weights is not None:
            leap.kind = "fitted"
            normal, downhill = normal_equations(residuals, weights, leap.moved)
            steps = best.trial_points(box, leap.columns, normal, downhill[0])
            fitted = refit_points(
                box,
                leap.columns,
                normal,
                downhill[1:],
                points=leap.places,
                masks=leap.masks,
                changed=leap.changed,
            )
            return np.concatenate([fitted, steps])
        else:
            raise ParameterError("tell came without learn; hand the differences over first.")
        return self._ask(box, best, self._next(rng, box, best.point))

    def _ask(self, box: Box, best: LocalSearch, leap: Leap) -> LocalSearch | FloatArray:
        """Ask for what a leap has to know first."""
        leap.places = box.fold(leap.places)
        self.leap = None if leap.kind == "walk" else leap
        if leap.kind == "walk":
            return LocalSearch.at(leap.places[0], leap.masks[0])
        if leap.kind != "probe":
            return leap.places
        points, leap.columns, leap.moved = best.slope_points(box)
        return np.concatenate([points, leap.places])

    def _next(self, rng: np.random.Generator, box: Box, point: FloatArray) -> Leap:
        """Say where the search jumps to from its best point, shape (n_dimensions,)."""
        if self.leap is None:
            self.n_hops += 1
        turn = self.n_hops % TURNS
        if len(self.groups) and turn in GROUP_TURNS:
            number = int(rng.integers(len(self.groups)))
            places = group_places(rng, box, point, self.groups[number])
            masks, drawn = (
                np.tile(mask[number], (len(places), 1)) for mask in (self.group_masks, self.groups)
            )
            return Leap("best", places, masks, drawn)
        if not len(self.jumps) or turn in RANDOM_TURNS:
            every = np.ones((1, box.n_dimensions), bool)
            return Leap("walk", random_place(rng, box, point)[None], every, every)
        if len(self.probed):
            return self._take()
        if len(self.order):
            chosen, self.order = np.split(self.order, [PROBED_TOGETHER])
            return self._leap_to("probe", point, chosen)
        return self._leap_to("rank", point, np.arange(len(self.jumps)))

    def _rank(self, leap: Leap, point: FloatArray, losses: FloatArray) -> None:
        """Learn the losses of all places, and say in which order they are probed."""
        ranked = rank_places(point, leap.places, losses)
        _, firsts = np.unique(self.families[ranked], return_index=True)
        self.order = ranked[np.sort(firsts)]

    def _choose_fitted(
        self, box: Box, best: LocalSearch, queue: FloatArray, losses: FloatArray
    ) -> None:
        """Take the own step of the walk at the best point, and keep the best that was fitted."""
        leap = self._asked
        n_places = len(leap.places)
        n_fitted = len(REFITS) * n_places
        best.take_best(box, queue[n_fitted:], losses[n_fitted:])
        of_place = losses[:n_fitted].reshape(len(REFITS), -1)
        chosen = np.argmin(of_place, axis=0)
        fitted = queue[chosen * n_places + np.arange(n_places)]
        lowest = of_place[chosen, np.arange(n_places)]
        order = np.argsort(lowest, kind="stable")[:MOST_WALKED]
        order = order[(lowest[order] < WORTH_A_WALK * best.loss) | (order == order[0])]
        self.probed, self.probed_masks = fitted[order], leap.masks[order]

    def _take(self) -> Leap:
        """LocalSearch from the best place that was probed."""
        place, mask = self.probed[:1], self.probed_masks[:1]
        self.probed, self.probed_masks = self.probed[1:], self.probed_masks[1:]
        return Leap("walk", place, mask, mask)

    def _leap_to(self, kind: str, point: FloatArray, chosen: IntArray) -> Leap:
        """Make a leap to some of the jumps."""
        changed = ~np.isnan(self.jumps[chosen])
        return Leap(kind, self._places(point)[chosen], self.masks[chosen], changed)

    def _places(self, point: FloatArray) -> FloatArray:
        """Where the given jumps lead from a point, shape (n_jumps, n_dimensions)."""
        return np.where(np.isnan(self.jumps), point, self.jumps)
