"""Where basin hopping goes from its best point, and what is fitted there first.

A proposal leads by turns to a point that was handed in (a part of the voice switched on), to the
best of many points that differ in one group of dimensions (an LFO with its phase), or to a random
point. Points that were handed in are ranked by their losses, and of each family (one change with
many phases) the best is kept. These are refitted, many at a time: what belongs to a change is
fitted in one step with the slopes of the best point, which are measured once for all of them. A
local search begins only at what comes out near the best point.
"""

from __future__ import annotations

import copy
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.optimise.gauss_newton import REFITS, LocalSearch, normal_equations, refit_points
from shared.errors import ParameterError

if TYPE_CHECKING:
    import numpy.typing as npt

    from matcher.optimise.box import Box
    from shared.types import Float32Array, FloatArray, IntArray

    BoolArray = npt.NDArray[np.bool_]

__all__: list[str] = []

# Of so many proposals, these draw a group anew and these lead to a random point, if there are
# others.
TURNS, GROUP_TURNS, RANDOM_TURNS = 6, (2, 4, 5), (0,)
# So many points are refitted at a time. Of those, so many are searched from at most: the best one,
# and others whose losses aren't higher than that of the best point by more than this.
REFITTED_TOGETHER = 32
MOST_SEARCHED, WORTH_A_SEARCH = 2, 1.05
# Starts that lie so near to each other (root mean square) are variants of one; so many are taken.
NEAR, MOST_NEAR = 0.1, 3
# A proposal that moves everything by less than this share of its range leads nowhere.
LEAST_CHANGE = 1e-3
# Share of the dimensions that a random proposal moves, and how far: a share of the range, drawn
# between these. Stepped dimensions are drawn anew, less often.
MOVED_SHARE, STEPPED_SHARE = 0.3, 0.1
SHORTEST, LONGEST = 0.03, 0.3
# At so many points a group is tried, half of them anywhere, half of them nearer.
N_POINTS = 64


@dataclass
class Question:
    """What has to be known before the next local search begins.

    `kind` is "rank" (the losses of these `points`), "slopes" (how they differ from the target,
    beside the slopes of the best point), "fitted" (the losses of what was fitted to them so),
    "best" (which of them is the best), or "search" (nothing: there is one point). `masks` says
    what is fitted first at each, `changed` what was changed on purpose; `columns` of the best
    point were moved by `moved`.
    """

    kind: str
    points: FloatArray
    masks: BoolArray
    changed: BoolArray
    columns: IntArray = field(default_factory=lambda: np.empty(0, np.int64))
    moved: FloatArray = field(default_factory=lambda: np.empty(0))


@dataclass
class Proposals:
    """Proposals of a search, and which of them come next.

    `rows`, `masks`, `families`, `groups` and `group_masks` are as for `BasinHopping`; `n_made` is
    how many were made so far, `order` those that are ranked and still to be refitted, the most
    promising first, and `refitted` points, with masks, are still to be searched from.
    """

    rows: FloatArray
    masks: BoolArray
    families: IntArray
    groups: BoolArray
    group_masks: BoolArray
    n_made: int = 0
    order: IntArray = field(default_factory=lambda: np.empty(0, np.int64))
    refitted: FloatArray = field(default_factory=lambda: np.empty((0, 0)))
    refitted_masks: BoolArray = field(default_factory=lambda: np.empty((0, 0), bool))
    question: Question | None = None

    @classmethod
    def of(
        cls,
        n_dimensions: int,
        *,
        rows: FloatArray | None,
        masks: BoolArray | None,
        families: IntArray | None,
        groups: BoolArray | None,
        group_masks: BoolArray | None,
    ) -> Proposals:
        """Fill in what is left out: every dimension is fitted, each row is a family."""
        given = np.empty((0, n_dimensions)) if rows is None else rows.copy()
        drawn = np.empty((0, n_dimensions), bool) if groups is None else groups.copy()
        return cls(
            given,
            np.ones(given.shape, bool) if masks is None else masks.copy(),
            np.arange(len(given)) if families is None else families.copy(),
            drawn,
            np.ones(drawn.shape, bool) if group_masks is None else group_masks.copy(),
        )

    @property
    def _asked(self) -> Question:
        """What is being asked for."""
        if self.question is None:
            raise ParameterError("tell came before ask. Ask for candidates first.")
        return self.question

    @property
    def needs_residuals(self) -> bool:
        """Whether the single differences of what was asked for are needed."""
        return self.question is not None and self.question.kind == "slopes"

    def state(self) -> dict[str, Any]:
        """Return everything as arrays, numbers, strings and dicts."""
        return copy.deepcopy(asdict(self))

    @classmethod
    def from_state(cls, state: dict[str, Any]) -> Proposals:
        """Make the proposals that `state` describes."""
        saved = copy.deepcopy(state)
        question = saved.pop("question")
        return cls(**saved, question=None if question is None else Question(**question))

    def begin(
        self, rng: np.random.Generator, box: Box, best: LocalSearch
    ) -> LocalSearch | FloatArray:
        """Make a proposal: the local search to begin, or candidates to be scored before."""
        return self._ask(box, best, self._next(rng, box, best.point))

    def tell(
        self,
        rng: np.random.Generator,
        box: Box,
        best: LocalSearch,
        queue: FloatArray,
        known: tuple[FloatArray, Float32Array | None, Float32Array | None],
    ) -> LocalSearch | FloatArray:
        """Learn what was asked for: losses, and single differences with weights if needed.

        Returns the same as `begin`. The search at the best point may have taken a step.
        """
        question, (losses, residuals, weights) = self._asked, known
        if question.kind == "best":
            index = int(np.argmin(losses))
            self.question = None
            return LocalSearch.at(queue[index], question.masks[index])
        if question.kind == "rank":
            ranked = rank_points(best.point, question.points, losses)
            _, firsts = np.unique(self.families[ranked], return_index=True)
            self.order = ranked[np.sort(firsts)]
        elif question.kind == "fitted":
            self._choose_fitted(box, best, queue, losses)
            self.question = None
        elif residuals is not None and weights is not None:
            question.kind = "fitted"
            normal, downhill = normal_equations(residuals, weights, question.moved)
            steps = best.trial_points(box, question.columns, normal, downhill[0])
            fitted = refit_points(
                box,
                question.columns,
                normal,
                downhill[1:],
                points=question.points,
                masks=question.masks,
                changed=question.changed,
            )
            return np.concatenate([fitted, steps])
        else:
            raise ParameterError("tell came without learn; hand the differences over first.")
        return self._ask(box, best, self._next(rng, box, best.point))

    def _ask(self, box: Box, best: LocalSearch, question: Question) -> LocalSearch | FloatArray:
        """Ask what has to be known first, if anything."""
        question.points = box.fold(question.points)
        self.question = None if question.kind == "search" else question
        if question.kind == "search":
            return LocalSearch.at(question.points[0], question.masks[0])
        if question.kind != "slopes":
            return question.points
        points, question.columns, question.moved = best.slope_points(box)
        return np.concatenate([points, question.points])

    def _next(self, rng: np.random.Generator, box: Box, point: FloatArray) -> Question:
        """Choose the next proposal from the best point, shape (n_dimensions,)."""
        if self.question is None:
            self.n_made += 1
        turn = self.n_made % TURNS
        if len(self.groups) and turn in GROUP_TURNS:
            number = int(rng.integers(len(self.groups)))
            points = group_points(rng, box, point, self.groups[number])
            masks, drawn = (
                np.tile(mask[number], (len(points), 1)) for mask in (self.group_masks, self.groups)
            )
            return Question("best", points, masks, drawn)
        if not len(self.rows) or turn in RANDOM_TURNS:
            every = np.ones((1, box.n_dimensions), bool)
            return Question("search", random_point(rng, box, point)[None], every, every)
        if len(self.refitted):
            mask = self.refitted_masks[:1]
            chosen = Question("search", self.refitted[:1], mask, mask)
            self.refitted, self.refitted_masks = self.refitted[1:], self.refitted_masks[1:]
            return chosen
        if len(self.order):
            first, self.order = np.split(self.order, [REFITTED_TOGETHER])
            return self._about("slopes", point, first)
        return self._about("rank", point, np.arange(len(self.rows)))

    def _choose_fitted(
        self, box: Box, best: LocalSearch, queue: FloatArray, losses: FloatArray
    ) -> None:
        """Take the own step of the search at the best point, and keep the best refits."""
        question = self._asked
        n_points = len(question.points)
        n_fitted = len(REFITS) * n_points
        best.take_best(box, queue[n_fitted:], losses[n_fitted:])
        of_point = losses[:n_fitted].reshape(len(REFITS), -1)
        chosen = np.argmin(of_point, axis=0)
        fitted = queue[chosen * n_points + np.arange(n_points)]
        lowest = of_point[chosen, np.arange(n_points)]
        order = np.argsort(lowest, kind="stable")[:MOST_SEARCHED]
        order = order[(lowest[order] < WORTH_A_SEARCH * best.loss) | (order == order[0])]
        self.refitted, self.refitted_masks = fitted[order], question.masks[order]

    def _about(self, kind: str, point: FloatArray, chosen: IntArray) -> Question:
        """Ask about some of the points that were handed in."""
        rows = self.rows[chosen]
        is_same = np.isnan(rows)
        return Question(kind, np.where(is_same, point, rows), self.masks[chosen], ~is_same)


def choose_starts(box: Box, starts: FloatArray, losses: FloatArray, n_most: int) -> list[int]:
    """Choose starts by their losses, not too many near each other; the first one always counts."""
    order = [0]
    for i in np.argsort(losses, kind="stable"):
        if len(order) == n_most:
            break
        away = np.abs(starts[order] - starts[i])
        away = np.where(box.circular, np.minimum(away, 1.0 - away), away)
        is_near = np.sqrt(np.mean(away**2, axis=1)) < NEAR
        if i and np.count_nonzero(is_near) < MOST_NEAR:
            order.append(int(i))
    return order


def rank_points(point: FloatArray, points: FloatArray, losses: FloatArray) -> IntArray:
    """Sort points by their losses, those that are where the search is already last."""
    is_here = np.all(np.abs(points - point) < LEAST_CHANGE, axis=1)
    return np.lexsort((losses, is_here))


def random_point(rng: np.random.Generator, box: Box, point: FloatArray) -> FloatArray:
    """Move some dimensions by a random length, and draw some stepped ones anew."""
    draws = rng.random((2, len(point)))
    normals = rng.standard_normal(len(point))
    length = _lengths(rng.random())
    is_stepped = box.cells > 0
    share = np.where(is_stepped, STEPPED_SHARE, MOVED_SHARE)
    target = np.where(is_stepped, draws[1], point + length * normals)
    return np.where(draws[0] < share, target, point)


def group_points(
    rng: np.random.Generator, box: Box, point: FloatArray, group: BoolArray
) -> FloatArray:
    """Draw a group of dimensions anew, many times, shape (N_POINTS, n_dimensions).

    In the first half each dimension is drawn from its whole range; in the second, phases and
    steps are, and the others move by a random length, as an LFO of nearly the right rate may be
    anywhere in its cycle.
    """
    shape = N_POINTS, len(point)
    anywhere = rng.random(shape)
    moved = point + _lengths(rng.random((N_POINTS, 1))) * rng.standard_normal(shape)
    is_near = (np.arange(N_POINTS) >= N_POINTS // 2)[:, None] & ~(box.circular | (box.cells > 0))
    return np.where(group, np.where(is_near, moved, anywhere), point)


def _lengths(shares: FloatArray | float) -> FloatArray | float:
    """Spread shares of 0 to 1 evenly over the logarithm of the length of a proposal."""
    return SHORTEST * (LONGEST / SHORTEST) ** shares
