"""Local search by damped Gauss-Newton steps: everything that fits vectors fits them here.

The loss is a weighted sum of absolute differences. Around a point each difference is taken to be
linear in the parameters, with slopes from one small move of each; differences are weighed by the
inverse of their size, which makes squares behave like absolute values (iteratively reweighted
least squares [1]_). The step that would bring the sum down most is tried at several damping
factors (Levenberg [2]_, Marquardt [3]_) and lengths at once, and the best candidate wins by its
loss, never by the model.

`LocalSearch` says what to measure and learns from it, for searches that have to be saved between
two batches; `LocalFits` does the measuring, too. `descend` is for models that have their
slopes in closed form: one damping at a time, for many points side by side.

References
----------
.. [1] P. J. Green, "Iteratively Reweighted Least Squares for Maximum Likelihood Estimation",
   J. R. Stat. Soc. B 46, 1984, section 3 (absolute deviations).
.. [2] K. Levenberg, "A Method for the Solution of Certain Non-Linear Problems in Least Squares",
   Quart. Appl. Math. 2, 1944.
.. [3] D. W. Marquardt, "An Algorithm for Least-Squares Estimation of Nonlinear Parameters",
   J. SIAM 11, 1963.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from matcher.optimise.box import Box

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy.typing as npt

    from shared.types import Float32Array, FloatArray, IntArray

    BoolArray = npt.NDArray[np.bool_]
    Measure = Callable[[FloatArray], tuple[FloatArray, Float32Array]]

__all__ = ["LocalFits", "LocalSearch", "compile_fits", "descend"]

DAMPINGS = np.logspace(-4.0, 1.5, 8)
LENGTHS = (1.0, 0.4)
FIRST_MOVE, SMALLEST_MOVE, LARGEST_MOVE = 0.02, 5e-4, 0.05
# Near the bottom of a valley slopes are measured by such a share of each range.
NEAR_MOVE = 0.004
# A search is over when this many steps in a row brought less than this share of the loss.
FEWEST_GAIN, MOST_STALLS = 2e-3, 3
# A stepped dimension with so many cells is searched; one with fewer is left to proposals.
FEWEST_CELLS = 6
# A parameter that changed nothing is asked again this many steps later.
REST = 3
# Where something was changed, these steps are tried with the slopes of the unchanged point:
# whether only what belongs to the change is fitted, and the damping.
REFITS = ((True, 0.01), (True, 0.2), (False, 0.2))
# Of `descend`: damping at first, after a step that leads down, after one that doesn't, and at
# most. It ends where two steps in a row bring less than this share of what is left.
DAMPING, LESS, MORE, MOST_DAMPING = 0.03, 0.3, 5.0, 1e6
LEAST_GAIN, MOST_IDLE = 3e-3, 2


@dataclass
class LocalSearch:
    """A search down one valley, as plain values that can be saved.

    `point` is the best candidate so far, `loss` its loss (infinite before it was scored). `moves`
    is the size of the small move of each dimension that measures its slopes, `resting` for how
    many more steps one that changed nothing is left out, `free` which ones move. Of its `n_steps`
    the last `n_stalls` brought nothing; the last one brought the share `gain` of the loss, 1
    before the first. `was_narrow` says that dimensions were held that are free now.
    """

    point: FloatArray
    loss: float = np.inf
    moves: FloatArray = field(default_factory=lambda: np.empty(0))
    resting: IntArray = field(default_factory=lambda: np.empty(0, np.int64))
    n_steps: int = 0
    n_stalls: int = 0
    free: BoolArray = field(default_factory=lambda: np.empty(0, bool))
    gain: float = 1.0
    was_narrow: bool = False

    @classmethod
    def at(
        cls, point: FloatArray, free: BoolArray | None = None, *, move: float = FIRST_MOVE
    ) -> LocalSearch:
        """Begin at a point, shape (n_dimensions,); some dimensions may be held."""
        n = len(point)
        moving = np.ones(n, bool) if free is None else free.copy()
        resting = np.zeros(n, np.int64)
        return cls(point.copy(), np.inf, np.full(n, move), resting, free=moving)

    @property
    def is_over(self) -> bool:
        """Whether the bottom was reached."""
        return self.n_stalls >= MOST_STALLS

    @property
    def is_narrow(self) -> bool:
        """Whether some dimensions are held."""
        return not bool(np.all(self.free))

    def widen(self) -> None:
        """Let every dimension move from here on, and count steps anew."""
        self.free = np.ones(len(self.point), bool)
        self.n_steps, self.n_stalls, self.gain, self.was_narrow = 0, 0, 1.0, True

    def slope_points(self, box: Box) -> tuple[FloatArray, IntArray, FloatArray]:
        """Say what to score to learn the slopes.

        The point itself and one small move each, (1 + n_moved, n_dimensions); which dimensions
        moved; and by how much, signed.
        """
        is_fine = (box.cells == 0) | (box.cells >= FEWEST_CELLS)
        columns = np.flatnonzero(is_fine & self.free & (self.resting <= 0))
        cell = np.where(box.cells > 0, 1.0 / np.maximum(box.cells, 1), 0.0)
        sizes = np.maximum(self.moves, cell)[columns]
        at = self.point[columns]
        # Up and down by turns, but never through a wall.
        can_fall, can_rise = at - sizes >= 0.0, at + sizes <= 1.0
        is_up = can_rise & ~can_fall if self.n_steps % 2 else can_rise
        moved = np.where(is_up | box.circular[columns], sizes, -sizes)
        points = np.tile(self.point, (1 + len(columns), 1))
        rows = 1 + np.arange(len(columns))
        points[rows, columns] += moved
        folded = box.fold(points)
        # On steps the move is a whole number of them.
        is_stepped = box.cells[columns] > 0
        return folded, columns, np.where(is_stepped, folded[rows, columns] - at, moved)

    def trial_points(
        self, box: Box, columns: IntArray, normal: FloatArray, downhill: FloatArray
    ) -> FloatArray:
        """Make steps of several dampings and lengths, shape (n_candidates, n_dimensions).

        Dimensions that changed nothing rest for a while; no row if that is all of them.
        """
        self.resting = np.maximum(self.resting - 1, 0)
        is_silent = np.diag(normal) <= 0.0
        self.resting[columns[is_silent]] = REST
        if np.all(is_silent):
            return np.empty((0, len(self.point)))
        at, circular = self.point[columns], box.circular[columns]
        steps = damped_steps(at, circular, normal, downhill, DAMPINGS)
        points = np.tile(self.point, (len(DAMPINGS) * len(LENGTHS), 1))
        for i, length in enumerate(LENGTHS):
            points[i :: len(LENGTHS), columns] = within_walls(at + length * steps, circular)
        return box.fold(points)

    def take_best(self, box: Box, points: FloatArray, losses: FloatArray) -> bool:
        """Go to the best candidate if it is better; whether it was. How far it was is learnt."""
        self.n_steps += 1
        best = int(np.argmin(losses)) if len(losses) else 0
        if not len(losses) or not losses[best] < self.loss:
            self.moves = np.maximum(0.35 * self.moves, SMALLEST_MOVE)
            self.n_stalls += 1
            self.gain = 0.0
            return False
        is_small = self.loss - losses[best] < FEWEST_GAIN * losses[best]
        self.gain = float((self.loss - losses[best]) / max(self.loss, 1e-12))
        self.n_stalls = self.n_stalls + 1 if is_small else 0
        step = np.abs(points[best] - self.point)
        step = np.where(box.circular, np.minimum(step, 1.0 - step), step)
        self.moves = np.clip(0.5 * self.moves + 0.25 * step, SMALLEST_MOVE, LARGEST_MOVE)
        self.point, self.loss = points[best].copy(), float(losses[best])
        return True


def normal_equations(
    residuals: Float32Array, weights: Float32Array, moved: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Weigh slopes, and multiply them with each other and with differences.

    `residuals` (n_rows, n_differences) has a row for the point, one for each move, and maybe more
    for other points. Returns products of the slopes, (n_moved, n_moved), and those with the
    differences at the point and at each other one, (1 + n_others, n_moved).
    """
    from matcher.optimise._normal import products  # noqa: PLC0415  brings numba

    n_moved = len(moved)
    joined = products(residuals, weights, moved)
    return joined[:n_moved, :n_moved], joined[n_moved:, :n_moved]


def damped_steps(
    at: FloatArray,
    circular: BoolArray,
    normal: FloatArray,
    downhill: FloatArray,
    dampings: FloatArray | Sequence[float],
) -> FloatArray:
    """Solve for a step of each damping, shape (n_dampings, n_moved).

    Dimensions that would run through the wall they are at are held.
    """
    own = np.diag(normal)
    own = np.maximum(own, 1e-6 * own.max())
    damped = normal + np.array(dampings)[:, None, None] * np.diag(own + 1e-3 * own.max())
    is_free = np.ones((len(damped), len(at)), bool)
    right = np.tile(-downhill, (len(damped), 1))
    for _ in range(3):
        steps = solved(damped, right, is_free)
        is_out = (at + steps < 0.0) & (at <= 0.0) | (at + steps > 1.0) & (at >= 1.0)
        is_out &= ~circular & is_free
        if not np.any(is_out):
            break
        is_free &= ~is_out
    return np.where(is_free, steps, 0.0)


def solved(matrices: FloatArray, right: FloatArray, is_free: BoolArray) -> FloatArray:
    """Solve (n, N, N) symmetric systems, what isn't free left out; 0 where one isn't definite."""
    from matcher.optimise._normal import solve  # noqa: PLC0415  brings numba

    steps = np.zeros(right.shape)
    solve(matrices.copy(), right, is_free, steps)
    return steps


def compile_fits() -> None:
    """Compile what a step needs, or load what was compiled."""
    slopes = np.eye(2, 16, dtype=np.float32)
    normal, downhill = normal_equations(slopes, np.ones(16, np.float32), np.ones(1))
    damped_steps(np.full(1, 0.5), np.zeros(1, bool), normal, downhill[0], (0.1,))


def within_walls(points: FloatArray, circular: BoolArray) -> FloatArray:
    """Hold to the walls what isn't circular."""
    return np.where(circular, points, np.clip(points, 0.0, 1.0))


def refit_points(
    box: Box,
    columns: IntArray,
    normal: FloatArray,
    downhill: FloatArray,
    *,
    points: FloatArray,
    masks: BoolArray,
    changed: BoolArray,
    refits: Sequence[tuple[bool, float]] = REFITS,
) -> FloatArray:
    """Fit each of some points, (n_points, n_dimensions), with the slopes of a neighbour.

    Where a few dimensions were `changed`, most slopes still hold: all but those of what was
    changed. So the step that makes up for the change best is known before anything is measured
    there. Rows are all points with the first of `refits`, then with the second, ...; `masks` says
    what belongs to each change, `columns` which dimensions the slopes are of.
    """
    works = np.diag(normal) > 0.0
    fitted = []
    for is_narrow, damping in refits:
        for whole, mask, own, slope in zip(points, masks, changed, downhill, strict=True):
            wanted = mask[columns] if is_narrow else np.ones(len(columns), bool)
            kept = np.flatnonzero(wanted & ~own[columns] & works)
            point = whole.copy()
            if len(kept):
                moved, circular = columns[kept], box.circular[columns[kept]]
                products = normal[np.ix_(kept, kept)]
                steps = damped_steps(point[moved], circular, products, slope[kept], (damping,))
                point[moved] = within_walls(point[moved] + steps[0], circular)
            fitted.append(point)
    return box.fold(np.array(fitted))


class LocalFits:
    """Fits by local searches, as long as there are evaluations left.

    Parameters
    ----------
    measure : callable
        Scores candidates, shape (n_candidates, n_dimensions): losses, shape (n_candidates,), and
        single differences, shape (n_candidates, n_differences), dtype float32.
    weights : np.ndarray, shape=(n_differences,), dtype=float32
        What each difference weighs in the loss.
    circular : np.ndarray of bool, shape=(n_dimensions,), optional
        Where 0 and 1 are the same value, as in phases.
    cells : np.ndarray of int, shape=(n_dimensions,), optional
        Number of equal cells where only so many values exist, else 0.
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
        self._box = Box(circular, cells)
        self._measure_all, self._weights = measure, weights
        self.n_left = sys.maxsize if n_evaluations is None else n_evaluations

    def fitted(
        self,
        point: FloatArray,
        n_steps: int,
        *,
        free: BoolArray | None = None,
        limit: float = -np.inf,
    ) -> tuple[FloatArray, float]:
        """Take `n_steps` from a point at most, until one leads nowhere or `limit` is met.

        Returns where they lead, and the loss there; infinite if no candidate was left.
        """
        search = LocalSearch.at(point, free, move=NEAR_MOVE)
        for _ in range(n_steps):
            if not self._has_stepped(search) or search.loss <= limit:
                break
        return search.point, search.loss

    def curvature(self, point: FloatArray) -> FloatArray:
        """Measure how the loss bends around a point, (n_dimensions, n_dimensions).

        Products of weighed slopes; 0 where a move changes nothing.
        """
        points, columns, moved = LocalSearch.at(point, move=NEAR_MOVE).slope_points(self._box)
        bent = np.zeros((len(point), len(point)))
        measured = self._measure(points)
        if measured is not None:
            bent[np.ix_(columns, columns)] = normal_equations(measured[1], self._weights, moved)[0]
        return bent

    def _has_stepped(self, search: LocalSearch) -> bool:
        """Take a step; whether it led anywhere."""
        points, columns, moved = search.slope_points(self._box)
        measured = self._measure(points)
        if measured is None:
            return False
        search.loss = float(measured[0][0])
        normal, downhill = normal_equations(measured[1], self._weights, moved)
        trials = search.trial_points(self._box, columns, normal, downhill[0])
        scored = self._measure(trials) if len(trials) else None
        return scored is not None and search.take_best(self._box, trials, scored[0])

    def _measure(self, vectors: FloatArray) -> tuple[FloatArray, Float32Array] | None:
        """Measure candidates; None if there aren't as many left."""
        if len(vectors) > self.n_left:
            return None
        self.n_left -= len(vectors)
        return self._measure_all(vectors)


def descend(
    points: FloatArray,
    is_free: BoolArray,
    n_steps: int,
    *,
    costs: Callable[[FloatArray], FloatArray],
    products: Callable[[FloatArray], FloatArray],
    held: Callable[[FloatArray], FloatArray],
) -> tuple[FloatArray, FloatArray]:
    """Go down from many points at once, by slopes in closed form.

    What becomes of a point depends on itself alone, not on its neighbours.

    Parameters
    ----------
    points : np.ndarray, shape=(n_points, N)
        Where to begin.
    is_free : np.ndarray of bool, shape=(n_points, N)
        What moves.
    n_steps : int >= 0
        Most steps from each point, those that led nowhere included.
    costs : callable
        Sums of squares at points, shape (n_points,).
    products : callable
        Products of residuals and slopes with each other, shape (n_points, 1 + N, 1 + N).
    held : callable
        Holds points within their limits.

    Returns
    -------
    points : np.ndarray, shape=(n_points, N)
        Where they end.
    losses : np.ndarray, shape=(n_points,)
        Their costs.
    """
    points = held(points)
    found = costs(points)
    damping, n_idle = np.full(len(points), DAMPING), np.zeros(len(points), np.int64)
    known = products(points)
    diagonal = np.arange(points.shape[1])
    for _ in range(n_steps):
        going = np.flatnonzero((n_idle < MOST_IDLE) & (damping < MOST_DAMPING))
        if not len(going):
            break
        damped = known[going][:, 1:, 1:]
        # The small number holds what nothing depends on.
        own = damped[:, diagonal, diagonal] * (1.0 + damping[going, None]) + 1e-9
        damped[:, diagonal, diagonal] = own
        there = held(points[going] + solved(damped, -known[going][:, 1:, 0], is_free[going]))
        reached = costs(there)
        is_lower = reached < found[going]
        down = going[is_lower]
        is_idle = reached[is_lower] > (1.0 - LEAST_GAIN) * found[down]
        n_idle[down] = np.where(is_idle, n_idle[down] + 1, 0)
        points[down], found[down] = there[is_lower], reached[is_lower]
        damping[going] *= np.where(is_lower, LESS, MORE)
        known[down] = products(points[down])
    return points, found
