"""Where walks begin: which of many starts, and where a search jumps to from a point."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from matcher.optimise._box import Box
    from shared.types import FloatArray, IntArray

    BoolArray = npt.NDArray[np.bool_]

__all__: list[str] = []

# Starts that lie so near to each other (root mean square) are variants of one; so many are taken.
NEAR, MOST_NEAR = 0.1, 3
# A jump that moves everything by less than this share of its range leads nowhere.
LEAST_JUMP = 1e-3
# Share of the dimensions that a random jump moves, and how far: a share of the range, drawn
# between these. Stepped dimensions are drawn anew, less often.
MOVED_SHARE, STEPPED_SHARE = 0.3, 0.1
SHORTEST_JUMP, LONGEST_JUMP = 0.03, 0.3
# At so many places a group is tried, half of them anywhere, half of them nearer.
N_PLACES = 64


def choose_starts(box: Box, starts: FloatArray, losses: FloatArray, n_walks: int) -> list[int]:
    """Choose starts by their losses, not too many near each other; the first one always counts."""
    order = [0]
    for i in np.argsort(losses, kind="stable"):
        if len(order) == n_walks:
            break
        away = np.abs(starts[order] - starts[i])
        away = np.where(box.circular, np.minimum(away, 1.0 - away), away)
        is_near = np.sqrt(np.mean(away**2, axis=1)) < NEAR
        if i and np.count_nonzero(is_near) < MOST_NEAR:
            order.append(int(i))
    return order


def rank_places(point: FloatArray, places: FloatArray, losses: FloatArray) -> IntArray:
    """Sort places by their losses, those that are no other place last."""
    is_here = np.all(np.abs(places - point) < LEAST_JUMP, axis=1)
    return np.lexsort((losses, is_here))


def random_place(rng: np.random.Generator, box: Box, point: FloatArray) -> FloatArray:
    """Move some dimensions by a random length, and draw some stepped ones anew."""
    draws = rng.random((2, len(point)))
    normals = rng.standard_normal(len(point))
    length = _lengths(rng.random())
    is_stepped = box.cells > 0
    share = np.where(is_stepped, STEPPED_SHARE, MOVED_SHARE)
    target = np.where(is_stepped, draws[1], point + length * normals)
    return np.where(draws[0] < share, target, point)


def group_places(
    rng: np.random.Generator, box: Box, point: FloatArray, group: BoolArray
) -> FloatArray:
    """Draw a group of dimensions anew, many times, shape (N_PLACES, n_dimensions).

    In the first half each dimension is drawn from its whole range; in the second, phases and
    steps are, and the others move by a random length, as an LFO of nearly the right rate may stand
    at any place of its cycle.
    """
    shape = N_PLACES, len(point)
    anywhere = rng.random(shape)
    moved = point + _lengths(rng.random((N_PLACES, 1))) * rng.standard_normal(shape)
    is_near = (np.arange(N_PLACES) >= N_PLACES // 2)[:, None] & ~(box.circular | (box.cells > 0))
    return np.where(group, np.where(is_near, moved, anywhere), point)


def _lengths(shares: FloatArray | float) -> FloatArray | float:
    """Spread shares of 0 to 1 evenly over the logarithm of the length of a jump."""
    return SHORTEST_JUMP * (LONGEST_JUMP / SHORTEST_JUMP) ** shares
