"""Lines of vectors that lead down to the partials of a note side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.partial_fit._paths import N
from matcher.partial_fit.entries import BLOCKS

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    from matcher.partial_fit.walks import Ground
    from shared import FloatArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = ["Lines", "redraw_parts"]

# Fits that leave the same are the same.
SAME_RATIO, SAME_SHARE = 1.01, 1e-4


@dataclass(frozen=True, eq=False)
class Lines:
    """Vectors that go on line by line.

    Parameters
    ----------
    points : np.ndarray, shape=(n_lines, N), dtype=float64
        Where each one stands.
    is_free : np.ndarray of bool, shape=(n_lines, N)
        What moves in each.
    costs : np.ndarray, shape=(n_lines,), dtype=float64
        What each leaves of the partials.
    """

    points: FloatArray
    is_free: BoolArray
    costs: FloatArray

    def different(self, n_best: int) -> Lines:
        """Choose the lines that leave least, the closest first; equal ones count once.

        Parameters
        ----------
        n_best : int >= 1
            How many at most.

        Returns
        -------
        Lines
            The chosen ones.
        """
        chosen: list[int] = []
        for i in np.argsort(self.costs, kind="stable"):
            if len(chosen) == n_best:
                break
            known = self.costs[chosen[-1]] if chosen else -np.inf
            if self.costs[i] > SAME_RATIO * known + SAME_SHARE:
                chosen.append(int(i))
        return Lines(self.points[chosen], self.is_free[chosen], self.costs[chosen])

    def walked(self, ground: Ground, n_steps: int) -> Lines:
        """Walk down from each line.

        Parameters
        ----------
        ground : Ground
            Where to.
        n_steps : int >= 0
            Most steps of each.

        Returns
        -------
        Lines
            Where they end.
        """
        points, costs = ground.walk(self.points, self.is_free, n_steps)
        return Lines(points, self.is_free, costs)


def redraw_parts(
    ground: Ground,
    rng: np.random.Generator,
    lines: Lines,
    draw: Callable[[], FloatArray],
    *,
    n_rounds: int,
    n_steps: int,
) -> Lines:
    """Let each line draw a part anew in each round, and keep what is better.

    Parameters
    ----------
    ground : Ground
        What is left of a note.
    rng : np.random.Generator
        Says which part it is.
    lines : Lines
        Where they stand.
    draw : callable
        Makes new vectors for each line, shape (n_lines, n_draws, N).
    n_rounds : int >= 0
        How often.
    n_steps : int >= 0
        Most steps of a walk down from the best draw.

    Returns
    -------
    Lines
        Where they end; a line in which nothing moves stays.
    """
    points, costs, numbers = lines.points.copy(), lines.costs.copy(), np.arange(len(lines.costs))
    parts = np.zeros((len(BLOCKS), N), bool)
    for part, block in zip(parts, BLOCKS, strict=True):
        part[list(block)] = True
    can = np.any(lines.is_free[:, None, :] & parts, axis=2)
    for _ in range(n_rounds if np.any(can) else 0):
        chosen = np.argmax(np.where(can, rng.random(can.shape), -1.0), axis=1)
        drawn = draw()
        is_new = (parts[chosen] & lines.is_free)[:, None, :]
        tried = ground.limits.held(np.where(is_new, drawn, points[:, None, :]).reshape(-1, N))
        found = ground.costs(tried).reshape(len(numbers), -1)
        tried = tried.reshape(drawn.shape)[numbers, np.argmin(found, axis=1)]
        tried, found = ground.walk(tried, lines.is_free, n_steps)
        is_lower = found < costs
        points[is_lower], costs[is_lower] = tried[is_lower], found[is_lower]
    return Lines(points, lines.is_free, costs)
