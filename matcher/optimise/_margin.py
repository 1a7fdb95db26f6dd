"""Margin correction for stepped dimensions: no cell may become impossible to reach.

When a normal distribution narrows to less than a cell, every draw falls into the same cell, the
loss no longer says anything about the dimension, and plain rounding stays where it is for good.
CMA-ES with Margin [1]_ keeps the probability of leaving the cell of the mean above a small bound,
by moving the mean and by widening the dimension with a factor that the covariance does not learn.

References
----------
.. [1] R. Hamano, S. Saito, M. Nomura, S. Shirakawa, "CMA-ES with Margin: Lower-Bounding Marginal
   Probability for Mixed-Integer Black-Box Optimization", GECCO 2022, arXiv:2205.13482, section 4.
"""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from matcher.optimise._box import Box
    from matcher.optimise._cma import NormalDistribution
    from shared.types import FloatArray

_STANDARD = NormalDist()


def correct_margins(
    distribution: NormalDistribution, widening: FloatArray, box: Box, *, n_candidates: int
) -> None:
    """Move the mean and the widening so that each neighbouring cell keeps some probability.

    Parameters
    ----------
    distribution : NormalDistribution
        Its mean is changed in place.
    widening : np.ndarray, shape=(n_dimensions,)
        Factor on the offsets of each dimension (the diagonal of A), changed in place.
    box : Box
        Its `cells` say which dimensions are stepped; fewer than two cells need no margin.
    n_candidates : int >= 2
        Size of the generation; the bound is 1 / (n_dimensions * n_candidates), the paper's.
    """
    bound = 1.0 / (box.n_dimensions * n_candidates)
    deviations = distribution.deviations()
    for index in np.flatnonzero(box.cells > 1):
        mean, widened = _corrected(
            float(distribution.mean[index]),
            float(deviations[index]),
            float(widening[index]),
            n_cells=int(box.cells[index]),
            bound=bound,
        )
        distribution.mean[index], widening[index] = mean, widened


def _corrected(
    mean: float, deviation: float, widening: float, *, n_cells: int, bound: float
) -> tuple[float, float]:
    """Return mean and widening of one dimension after the correction."""
    # A value on a wall belongs to the lower cell, as in the paper's encoding.
    cell = min(max(math.ceil(mean * n_cells) - 1, 0), n_cells - 1)
    low_wall = max(cell, 1) / n_cells
    high_wall = min(cell + 1, n_cells - 1) / n_cells
    spread = deviation * widening
    below = _probability_below((low_wall - mean) / spread)
    above = _probability_below((mean - high_wall) / spread)
    if low_wall == high_wall:  # the mean lies in an end cell, with one wall only
        if min(below, above) >= bound:
            return mean, widening
        reach = -_STANDARD.inv_cdf(bound) * spread
        return high_wall + math.copysign(reach, mean - high_wall), widening
    below, above = _bounded_tails(below, above, bound=bound)
    low_reach, high_reach = -_STANDARD.inv_cdf(below), -_STANDARD.inv_cdf(above)
    reach = low_reach + high_reach
    return (
        (low_wall * high_reach + high_wall * low_reach) / reach,
        (high_wall - low_wall) / (reach * deviation),
    )


def _probability_below(z: float) -> float:
    """Return the standard normal distribution function, exact far into its lower tail."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def _bounded_tails(below: float, above: float, *, bound: float) -> tuple[float, float]:
    """Raise both tails to half the bound and take what was added from the larger parts."""
    inside = 1.0 - below - above
    below, above = max(below, bound / 2), max(above, bound / 2)
    total = below + inside + above
    share = (1.0 - total) / (total - 1.5 * bound)
    below += share * (below - bound / 2)
    above += share * (above - bound / 2)
    # Two tails of one half each leave nothing inside; the reach must stay above zero.
    return min(max(below, 1e-10), 0.5 - 1e-10), min(max(above, 1e-10), 0.5 - 1e-10)
