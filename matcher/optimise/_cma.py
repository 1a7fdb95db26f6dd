"""The normal distribution that the search draws from, and how it learns (CMA-ES).

One generation at a time over plain numpy arrays: `draw`, then `learn` from the ranked draws. The
box, steps and restarts are left to `_box`, `_margin` and `restarts`. Equation numbers are those
of Hansen's tutorial [1]_. Where the tutorial factors the covariance by its eigenvectors, a
Cholesky factor is used [2]_: the rows that `draw` used are at hand when `learn` needs them, so
nothing has to be inverted, and no eigenvectors are needed. The sums run through `np.einsum`
without its optimiser and the factor is computed here, column by column, since results of BLAS and
LAPACK change in the last bit with their number of threads (seen with OpenBLAS 0.3.31 from 100
dimensions up), and the same seed must give the same search on every machine setting.

References
----------
.. [1] N. Hansen, "The CMA Evolution Strategy: A Tutorial", arXiv:1604.00772, appendix A.
.. [2] O. Krause, D. R. Arbones, C. Igel, "CMA-ES with Optimal Covariance Update and Storage
   Complexity", Advances in Neural Information Processing Systems 29, 2016.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from shared.types import FloatArray


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

    Parameters
    ----------
    n_dimensions : int >= 1
        Length of a candidate.
    n_candidates : int >= 2
        Number of ranked candidates in the generation (lambda).

    Returns
    -------
    LearningRates
        Its `weights`, shape=(n_candidates,), sum to 1 over the parents (the better half) and are
        negative for the rest.
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

    Parameters
    ----------
    mean : np.ndarray, shape=(n_dimensions,)
        Centre of the draws, in the unit box (it may be carried outside it by `learn`).
    step_size : float > 0
        Overall standard deviation (sigma), in units of the box.

    Attributes
    ----------
    covariance : np.ndarray, shape=(n_dimensions, n_dimensions)
        Shape of the distribution without `step_size` (C).
    factor : np.ndarray, shape=(n_dimensions, n_dimensions)
        Lower triangle A with ``A @ A.T == covariance``.
    step_path, shape_path : np.ndarray, shape=(n_dimensions,)
        Evolution paths of the step size and of the covariance.
    n_generations : int >= 0
        Number of calls of `learn`.
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

    def draw(self, normals: FloatArray) -> FloatArray:
        """Turn rows of independent normal numbers into points, (40)."""
        return self.mean + self.step_size * self.shaped(normals)

    def deviations(self) -> FloatArray:
        """Return the standard deviation of the draws in each dimension."""
        return self.step_size * np.sqrt(np.diagonal(self.covariance))

    def learn(self, ranked_normals: FloatArray) -> None:
        """Move mean, step size and covariance after one generation, (41) to (47).

        Parameters
        ----------
        ranked_normals : np.ndarray, shape=(n_candidates, n_dimensions)
            The rows that `draw` was given, best candidate first.
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

    Parameters
    ----------
    covariance : np.ndarray, shape=(n, n)
        Symmetric matrix. Only its lower triangle is read.

    Returns
    -------
    np.ndarray, shape=(n, n)
        Lower triangle A with ``A @ A.T == covariance``. A pivot that rounding has made smaller
        than 1e-14 of its diagonal element is held there, so that a matrix at the edge of being
        positive definite still gives a factor.

    References
    ----------
    .. [1] G. H. Golub, C. F. Van Loan, "Matrix Computations", 4th ed., 2013, algorithm 4.2.1
       (Cholesky factorisation column by column, by matrix-vector products).
    """
    factor = np.zeros_like(covariance)
    for j in range(len(covariance)):
        column = covariance[j:, j] - np.einsum("ik,k->i", factor[j:, :j], factor[j, :j])
        pivot = max(float(column[0]), 1e-14 * float(covariance[j, j]))
        factor[j:, j] = column / math.sqrt(pivot)
        factor[j, j] = math.sqrt(pivot)
    return factor
