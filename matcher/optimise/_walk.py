"""One walk down a valley: Gauss-Newton steps from measured slopes.

The loss is a weighted sum of absolute differences. Around a point each difference is taken to be
linear in the parameters, with slopes from one small move of each; differences are weighed by the
inverse of their size, which makes squares behave like absolute values (iteratively reweighted
least squares [1]_). The step that would bring the sum down most is tried at several damping
factors (Levenberg [2]_, Marquardt [3]_) and lengths at once, and the best candidate wins by its
loss, never by the model.

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

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from matcher.optimise._box import Box
    from shared.types import Float32Array, FloatArray, IntArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = [
    "Walk",
    "damped_step",
    "first_walk",
    "held",
    "normal_equations",
    "slopes_points",
    "step_points",
    "steps_of",
    "take_step",
]

DAMPINGS = np.logspace(-4.0, 1.5, 8)
LENGTHS = (1.0, 0.4)
FIRST_MOVE, SMALLEST_MOVE, LARGEST_MOVE = 0.02, 5e-4, 0.05
# A walk is over when this many steps in a row brought less than this share of the loss.
FEWEST_GAIN, MOST_STALLS = 2e-3, 3
# A stepped dimension with so many steps is walked along; one with fewer is left to jumps.
FEWEST_CELLS = 6
# A parameter that changed nothing is asked again this many steps later.
REST = 3


@dataclass
class Walk:
    """Where a walk stands.

    Attributes
    ----------
    point : np.ndarray, shape=(n_dimensions,)
        Best candidate of the walk, in [0, 1].
    loss : float
        Its loss; infinite before it was scored.
    moves : np.ndarray, shape=(n_dimensions,)
        Size of the small move of each dimension that measures its slopes.
    resting : np.ndarray of int, shape=(n_dimensions,)
        For how many more steps a dimension that changed nothing is left out.
    n_steps, n_stalls : int
        Steps so far, and steps in a row that brought nothing.
    free : np.ndarray of bool, shape=(n_dimensions,)
        Which dimensions move.
    gain : float
        Share of the loss that the last step brought; 1 before the first.
    was_narrow : bool
        Whether dimensions were held that are free now.
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


def first_walk(point: FloatArray, free: BoolArray | None = None) -> Walk:
    """Begin a walk at a point, shape (n_dimensions,); some dimensions may be held."""
    n = len(point)
    moving = np.ones(n, bool) if free is None else free.copy()
    return Walk(point.copy(), np.inf, np.full(n, FIRST_MOVE), np.zeros(n, np.int64), free=moving)


def slopes_points(walk: Walk, box: Box) -> tuple[FloatArray, IntArray, FloatArray]:
    """Say what to score to learn the slopes at a walk's point.

    Returns
    -------
    points : np.ndarray, shape=(1 + n_moved, n_dimensions)
        The point itself, then one small move each.
    columns : np.ndarray of int, shape=(n_moved,)
        Which dimensions moved.
    moved : np.ndarray, shape=(n_moved,)
        By how much, signed.
    """
    is_fine = (box.cells == 0) | (box.cells >= FEWEST_CELLS)
    columns = np.flatnonzero(is_fine & walk.free & (walk.resting <= 0))
    cell = np.where(box.cells > 0, 1.0 / np.maximum(box.cells, 1), 0.0)
    sizes = np.maximum(walk.moves, cell)[columns]
    at = walk.point[columns]
    # Up and down by turns, but never through a wall.
    can_fall, can_rise = at - sizes >= 0.0, at + sizes <= 1.0
    is_up = can_rise & ~can_fall if walk.n_steps % 2 else can_rise
    moved = np.where(is_up | box.circular[columns], sizes, -sizes)
    points = np.tile(walk.point, (1 + len(columns), 1))
    points[1 + np.arange(len(columns)), columns] += moved
    folded = box.fold(points)
    # On steps the move is a whole number of them.
    is_stepped = box.cells[columns] > 0
    stepped = folded[1 + np.arange(len(columns)), columns] - at
    return folded, columns, np.where(is_stepped, stepped, moved)


def step_points(
    walk: Walk,
    box: Box,
    moves: tuple[IntArray, FloatArray],
    residuals: Float32Array,
    weights: Float32Array,
) -> FloatArray:
    """Turn slopes into steps worth a try.

    Parameters
    ----------
    walk : Walk
        The walk; dimensions that changed nothing are laid to rest.
    box : Box
        What is circular and what is stepped.
    moves : tuple of np.ndarray, shape=(n_moved,)
        Columns and moves, from `slopes_points`.
    residuals : np.ndarray, shape=(1 + n_moved, n_differences), dtype=float32
        Differences of its points.
    weights : np.ndarray, shape=(n_differences,), dtype=float32
        What each difference weighs in the loss.

    Returns
    -------
    np.ndarray, shape=(n_candidates, n_dimensions)
        Candidates; none if nothing moves the sound.
    """
    normal, downhill = normal_equations(moves, residuals, weights)
    return steps_of(walk, box, moves[0], normal, downhill[0])


def normal_equations(
    moves: tuple[IntArray, FloatArray], residuals: Float32Array, weights: Float32Array
) -> tuple[FloatArray, FloatArray]:
    """Weigh slopes, and multiply them with each other and with differences.

    Parameters
    ----------
    moves, residuals, weights
        As for `step_points`; behind the rows of the moves, `residuals` may have those of other
        places.

    Returns
    -------
    normal : np.ndarray, shape=(n_moved, n_moved)
        Products of the slopes.
    downhill : np.ndarray, shape=(1 + n_places, n_moved)
        Products with the differences at the walk's point, and at each of the places.
    """
    from matcher.optimise._normal import products  # noqa: PLC0415  brings numba

    n_moved = len(moves[1])
    joined = products(residuals, weights, moves[1])
    return joined[:n_moved, :n_moved], joined[n_moved:, :n_moved]


def steps_of(
    walk: Walk, box: Box, columns: IntArray, normal: FloatArray, downhill: FloatArray
) -> FloatArray:
    """Make steps of several dampings and lengths, shape (n_candidates, n_dimensions).

    Dimensions that changed nothing are laid to rest; no row if that is all of them.
    """
    walk.resting = np.maximum(walk.resting - 1, 0)
    is_silent = np.diag(normal) <= 0.0
    walk.resting[columns[is_silent]] = REST
    if np.all(is_silent):
        return np.empty((0, len(walk.point)))
    points = []
    for damping in DAMPINGS:
        step = damped_step(walk.point[columns], box.circular[columns], normal, downhill, damping)
        for length in LENGTHS:
            point = walk.point.copy()
            point[columns] = held(point[columns] + length * step, box.circular[columns])
            points.append(point)
    return box.fold(np.array(points))


def take_step(walk: Walk, box: Box, points: FloatArray, losses: FloatArray) -> bool:
    """Go to the best of the candidates if it is better, and learn from how far it was.

    Returns
    -------
    bool
        Whether the walk moved.
    """
    walk.n_steps += 1
    best = int(np.argmin(losses)) if len(losses) else 0
    if not len(losses) or not losses[best] < walk.loss:
        walk.moves = np.maximum(0.35 * walk.moves, SMALLEST_MOVE)
        walk.n_stalls += 1
        walk.gain = 0.0
        return False
    is_small = walk.loss - losses[best] < FEWEST_GAIN * losses[best]
    walk.gain = float((walk.loss - losses[best]) / max(walk.loss, 1e-12))
    walk.n_stalls = walk.n_stalls + 1 if is_small else 0
    step = np.abs(points[best] - walk.point)
    step = np.where(box.circular, np.minimum(step, 1.0 - step), step)
    walk.moves = np.clip(0.5 * walk.moves + 0.25 * step, SMALLEST_MOVE, LARGEST_MOVE)
    walk.point, walk.loss = points[best].copy(), float(losses[best])
    return True


def damped_step(
    at: FloatArray, circular: BoolArray, normal: FloatArray, downhill: FloatArray, damping: float
) -> FloatArray:
    """Solve for the step; dimensions that would run through the wall they stand at stay."""
    from matcher.optimise._normal import solve  # noqa: PLC0415  brings numba

    own = np.diag(normal)
    own = np.maximum(own, 1e-6 * own.max())
    damped = normal + np.diag(damping * (own + 1e-3 * own.max()))
    is_free = np.ones(len(at), bool)
    step = np.zeros(len(at))
    for _ in range(3):
        kept = np.flatnonzero(is_free)
        solved = np.zeros(len(kept))
        if not solve(damped[np.ix_(kept, kept)], -downhill[kept], solved):
            return np.zeros(len(at))
        step = np.zeros(len(at))
        step[kept] = solved
        is_out = (at + step < 0.0) & (at <= 0.0) | (at + step > 1.0) & (at >= 1.0)
        is_out &= ~circular & is_free
        if not np.any(is_out):
            break
        is_free &= ~is_out
    return np.where(is_free, step, 0.0)


def held(points: FloatArray, circular: BoolArray) -> FloatArray:
    """Hold to the walls what does not go round."""
    return np.where(circular, points, np.clip(points, 0.0, 1.0))
