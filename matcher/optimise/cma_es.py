"""CMA-ES: the normal distribution that is drawn from, and how it learns from ranked draws.

Equation numbers are those of Hansen's tutorial [1]_. Where the tutorial factors the covariance by
its eigenvectors, a Cholesky factor is used [2]_: the rows that were drawn are at hand when
`learn` needs them, so nothing has to be inverted. The sums run through `np.einsum` without its
optimiser and the factor is computed here, column by column, since results of BLAS and LAPACK
change in the last bit with their number of threads (seen with OpenBLAS 0.3.31 from 100 dimensions
up), and the same seed must give the same search on every machine setting.

When a distribution narrows to less than a cell of a stepped dimension, every draw falls into the
same cell, the loss says nothing about the dimension any more, and plain rounding stays where it
is for good. CMA-ES with Margin [3]_ keeps the probability of leaving the cell of the mean above a
small bound, by moving the mean and by widening the dimension with a factor that the covariance
does not learn.

References
----------
.. [1] N. Hansen, "The CMA Evolution Strategy: A Tutorial", arXiv:1604.00772, appendix A.
.. [2] O. Krause, D. R. Arbones, C. Igel, "CMA-ES with Optimal Covariance Update and Storage
   Complexity", Advances in Neural Information Processing Systems 29, 2016.
.. [3] R. Hamano, S. Saito, M. Nomura, S. Shirakawa, "CMA-ES with Margin: Lower-Bounding Marginal
   Probability for Mixed-Integer Black-Box Optimization", GECCO 2022, arXiv:2205.13482, section 4.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from matcher.optimise.box import wrap

if TYPE_CHECKING:
    from matcher.optimise.box import Box
    from shared.types import FloatArray

__all__: list[str] = []

# A normal distribution folded at walls (period 2) or wrapped (period 1) is flat to 1.5 % from
# here on: 2 exp(-2 pi^2 s^2 / period^2), the first Fourier term of the folded density.
_WIDEST_MIRRORED = 1.0
_WIDEST_CIRCULAR = 0.5
_STANDARD = NormalDist()


@dataclass(frozen=True)
class LearningRates:
    """Weights and rates of one generation, from its size and the number of dimensions."""

    weights: FloatArray
    n_parents: int
    parent_mass: float
    step_rate: float
    step_damping: float
    path_rate: float
    rank_one_rate: float
    rank_mu_rate: float
    expected_length: float


@lru_cache(maxsize=64)
def learning_rates(n_dimensions: int, n_candidates: int) -> LearningRates:
    """Derive the default weights and rates, equations (49) to (58).

    Weights, shape (n_candidates,), sum to 1 over the parents (the better half) and are negative
    for the rest.
    """
    n = n_dimensions
    n_parents = n_candidates // 2
    raw = math.log((n_candidates + 1) / 2) - np.log(np.arange(1, n_candidates + 1))  # (49)
    mass = _effective_mass(raw[:n_parents])
    rank_one = 2 / ((n + 1.3) ** 2 + mass)  # (57)
    rank_mu = min(1 - rank_one, 2 * (mass - 2 + 1 / mass) / ((n + 2) ** 2 + mass))  # (58)
    step_rate = (mass + 2) / (n + mass + 5)  # (55)
    return LearningRates(
        weights=_signed_weights(raw, n, rank_one=rank_one, rank_mu=rank_mu),
        n_parents=n_parents,
        parent_mass=mass,
        step_rate=step_rate,
        step_damping=1 + 2 * max(0.0, math.sqrt((mass - 1) / (n + 1)) - 1) + step_rate,  # (55)
        path_rate=(4 + mass / n) / (n + 4 + 2 * mass / n),  # (56)
        rank_one_rate=rank_one,
        rank_mu_rate=rank_mu,
        # E||N(0, I)||, below (44)
        expected_length=math.sqrt(n) * (1 - 1 / (4 * n) + 1 / (21 * n**2)),
    )


def _effective_mass(weights: FloatArray) -> float:
    """Return the variance-effective number of these weights, (8) and figure 6."""
    return float(np.sum(weights) ** 2 / np.sum(weights**2))


def _signed_weights(
    raw: FloatArray, n_dimensions: int, *, rank_one: float, rank_mu: float
) -> FloatArray:
    """Scale the parents' weights to 1 in sum and bound the negative ones, (50) to (53)."""
    mass = _effective_mass(raw[: len(raw) // 2])
    mass_of_rest = _effective_mass(raw[len(raw) // 2 :])
    bound = min(
        1 + rank_one / rank_mu if rank_mu > 0 else math.inf,  # (50)
        1 + 2 * mass_of_rest / (mass + 2),  # (51)
        # (52)
        (1 - rank_one - rank_mu) / (n_dimensions * rank_mu) if rank_mu > 0 else math.inf,
    )
    positive, negative = raw[raw > 0].sum(), -raw[raw < 0].sum()
    weights: FloatArray = np.where(raw >= 0, raw / positive, bound * raw / negative)  # (53)
    return weights


@dataclass
class NormalDistribution:
    """A multivariate normal distribution that moves towards the better of its own draws.

    `mean` may be carried outside the unit box by `learn`; `step_size` is sigma, `covariance` C
    without it, `factor` the lower triangle A with ``A @ A.T == covariance``, and the two paths are
    the evolution paths of the step size and of the covariance.
    """

    mean: FloatArray
    step_size: float
    covariance: FloatArray = field(default_factory=lambda: np.empty(0))
    factor: FloatArray = field(default_factory=lambda: np.empty(0))
    step_path: FloatArray = field(default_factory=lambda: np.empty(0))
    shape_path: FloatArray = field(default_factory=lambda: np.empty(0))
    n_generations: int = 0

    def __post_init__(self) -> None:
        """Start round and without a history where nothing else is given."""
        n_dimensions = len(self.mean)
        if not self.covariance.size:
            self.covariance = np.eye(n_dimensions)
            self.factor = np.eye(n_dimensions)
            self.step_path = np.zeros(n_dimensions)
            self.shape_path = np.zeros(n_dimensions)

    def shaped(self, normals: FloatArray) -> FloatArray:
        """Turn rows of independent normal numbers into offsets y ~ N(0, C), (39)."""
        offsets: FloatArray = np.einsum("ij,kj->ki", self.factor, normals)
        return offsets

    def deviations(self) -> FloatArray:
        """Return the standard deviation of the draws in each dimension."""
        return self.step_size * np.sqrt(np.diagonal(self.covariance))

    def learn(self, ranked_normals: FloatArray) -> None:
        """Move mean, step size and covariance after one generation, (41) to (47).

        Takes the normal numbers that were drawn, the best candidate first.
        """
        rates = learning_rates(len(self.mean), len(ranked_normals))
        offsets = self.shaped(ranked_normals)
        parents = rates.weights[: rates.n_parents]
        mean_offset = np.einsum("k,ki->i", parents, offsets[: rates.n_parents])  # (41)
        mean_normal = np.einsum("k,ki->i", parents, ranked_normals[: rates.n_parents])
        self.n_generations += 1
        self.mean = self.mean + self.step_size * mean_offset  # (42) with c_m = 1, (54)
        is_steady = self._learn_step_size(mean_normal, rates)
        self._learn_shape(mean_offset, offsets, ranked_normals, rates=rates, is_steady=is_steady)
        self.factor = cholesky_factor(self.covariance)

    def draw(self, normals: FloatArray, widening: FloatArray | float = 1.0) -> FloatArray:
        """Turn rows of independent normal numbers into points, (40)."""
        return self.mean + self.step_size * (widening * self.shaped(normals))

    def scale(self, scales: FloatArray) -> None:
        """Scale (or flip) dimensions of the covariance, its factor and the paths.

        The factor stays a lower triangle: flipped rows are flipped again by column.
        """
        self.covariance = scales[:, None] * self.covariance * scales
        signs = np.sign(scales)
        self.factor = scales[:, None] * self.factor * signs
        self.shape_path = scales * self.shape_path
        self.step_path = signs * self.step_path

    def _learn_step_size(self, mean_normal: FloatArray, rates: LearningRates) -> bool:
        """Lengthen or shorten the step, (43) and (44); tell whether its path is short (h)."""
        rate = rates.step_rate
        gain = math.sqrt(rate * (2 - rate) * rates.parent_mass)
        self.step_path = (1 - rate) * self.step_path + gain * mean_normal  # (43)
        length = math.sqrt(float(np.sum(self.step_path**2)))
        growth = rate / rates.step_damping * (length / rates.expected_length - 1)
        self.step_size *= math.exp(min(1.0, growth))  # (44)
        settled = math.sqrt(1 - (1 - rate) ** (2 * (self.n_generations + 1)))
        limit = (1.4 + 2 / (len(self.mean) + 1)) * rates.expected_length
        return length / settled < limit

    def _learn_shape(
        self,
        mean_offset: FloatArray,
        offsets: FloatArray,
        ranked_normals: FloatArray,
        *,
        rates: LearningRates,
        is_steady: bool,
    ) -> None:
        """Stretch the covariance along the path and the better offsets, (45) to (47)."""
        rate = rates.path_rate
        gain = math.sqrt(rate * (2 - rate) * rates.parent_mass) if is_steady else 0.0
        self.shape_path = (1 - rate) * self.shape_path + gain * mean_offset  # (45)
        lengths = np.sum(ranked_normals**2, axis=1)
        weights = np.where(  # (46)
            rates.weights >= 0,
            rates.weights,
            rates.weights * len(self.mean) / np.maximum(lengths, 1e-8),
        )
        correction = 0.0 if is_steady else rate * (2 - rate)
        keep = 1 + rates.rank_one_rate * correction
        keep -= rates.rank_one_rate + rates.rank_mu_rate * float(np.sum(rates.weights))
        self.covariance = (  # (47)
            keep * self.covariance
            + rates.rank_one_rate * np.einsum("i,j->ij", self.shape_path, self.shape_path)
            + rates.rank_mu_rate * np.einsum("ki,kj->ij", weights[:, None] * offsets, offsets)
        )


def cholesky_factor(covariance: FloatArray) -> FloatArray:
    """Factor a symmetric positive definite matrix, the same on any number of threads.

    Column by column, by matrix-vector products (Golub and Van Loan, "Matrix Computations", 4th
    ed., 2013, algorithm 4.2.1). A pivot that rounding has made smaller than 1e-14 of its diagonal
    element is held there, so that a matrix at the edge of being definite still gives a factor.
    """
    factor = np.zeros_like(covariance)
    for j in range(len(covariance)):
        column = covariance[j:, j] - np.einsum("ik,k->i", factor[j:, :j], factor[j, :j])
        pivot = max(float(column[0]), 1e-14 * float(covariance[j, j]))
        factor[j:, j] = column / math.sqrt(pivot)
        factor[j, j] = math.sqrt(pivot)
    return factor


def recentre(distribution: NormalDistribution, box: Box) -> None:
    """Bring a mean that has left the box back, without changing what is drawn.

    Wrapping is a shift by whole turns. Mirroring flips the sign of the dimension in the covariance
    and in both paths as well, so that the folded density stays as it was.
    """
    mean = distribution.mean
    mean[box.circular] = wrap(mean[box.circular])
    mirrored = box.mirrored
    turned = np.mod(mean, 2.0)
    signs = np.where(mirrored & (turned > 1.0), -1.0, 1.0)
    mean[mirrored] = np.where(turned > 1.0, 2.0 - turned, turned)[mirrored]
    distribution.scale(signs)


def limit_width(distribution: NormalDistribution, box: Box) -> None:
    """Shrink dimensions in which the folded density has long been flat.

    Nothing pulls the width of a dimension back that has no effect on the loss; left alone it would
    grow until the arithmetic fails.
    """
    widest = np.where(box.circular, _WIDEST_CIRCULAR, _WIDEST_MIRRORED)
    scales = np.minimum(1.0, widest / distribution.deviations())
    if np.any(scales < 1.0):
        distribution.scale(scales)


def correct_margins(
    distribution: NormalDistribution, widening: FloatArray, box: Box, *, n_candidates: int
) -> None:
    """Move mean and widening, in place, so that each neighbouring cell keeps some probability.

    The widening is a factor on the offsets of each dimension (the diagonal of A in [3]_); the
    bound is the paper's. Fewer than two cells need no margin.
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
