"""Where a search jumps to from a point: a random place, or many places that differ in a group."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from matcher.search._box import Box
    from shared.types import FloatArray

    BoolArray = npt.NDArray[np.bool_]

__all__: list[str] = []

# Share of the dimensions that a random jump moves, and how far: a share of the range, drawn
# between these. Stepped dimensions are drawn anew, less often.
MOVED_SHARE, STEPPED_SHARE = 0.3, 0.1
SHORTEST_JUMP, LONGEST_JUMP = 0.03, 0.3
# At so many places a group is tried, half of them anywhere, half of them nearer.
N_PLACES = 64


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
