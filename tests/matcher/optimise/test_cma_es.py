"""The normal distribution and its learning."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from matcher.optimise.box import Box
from matcher.optimise.cma_es import (
    NormalDistribution,
    cholesky_factor,
    correct_margins,
    learning_rates,
)


@given(n_dimensions=st.integers(1, 200), n_candidates=st.integers(2, 600))
def test_rates_keep_the_covariance_positive(n_dimensions: int, n_candidates: int) -> None:
    """arXiv:1604.00772, (47) and (52): what is kept outweighs what negative weights take."""
    rates = learning_rates(n_dimensions, n_candidates)
    parents = rates.weights[: rates.n_parents]
    # 1e-12: the sum of up to 300 rounded weights.
    assert float(parents.sum()) == pytest.approx(1.0, abs=1e-12)
    assert np.all(np.diff(rates.weights) <= 0.0)
    assert 1.0 <= rates.parent_mass <= rates.n_parents + 1e-9
    assert 0.0 <= rates.rank_one_rate + rates.rank_mu_rate <= 1.0
    taken = -rates.weights[rates.weights < 0].sum() * rates.rank_mu_rate * n_dimensions
    kept = 1.0 - rates.rank_one_rate - rates.rank_mu_rate * rates.weights.sum()
    assert kept - taken >= -1e-9


@pytest.mark.parametrize("n", [1, 2, 17, 60])
def test_the_factor_is_that_of_lapack(n: int, rng: np.random.Generator) -> None:
    """Column by column gives what numpy.linalg.cholesky gives."""
    root = rng.standard_normal((n, 2 * n))
    covariance = root @ root.T
    # 1e-9 relative: 1e4 between the variances costs that many digits of float64.
    np.testing.assert_allclose(
        cholesky_factor(covariance), np.linalg.cholesky(covariance), rtol=1e-9, atol=1e-9
    )


def test_a_covariance_on_the_edge_still_has_a_factor() -> None:
    """Rounding that makes a pivot zero or negative doesn't stop the search."""
    covariance = np.array([[1.0, 1.0], [1.0, 1.0 - 1e-16]])
    factor = cholesky_factor(covariance)
    assert np.all(np.isfinite(factor))
    np.testing.assert_allclose(factor @ factor.T, covariance, atol=1e-7)


def test_draws_have_the_covariance_they_should_have(rng: np.random.Generator) -> None:
    """The draws of a shaped distribution spread as its covariance says."""
    covariance = np.array([[2.0, 0.6], [0.6, 0.5]])
    distribution = NormalDistribution(np.array([0.3, 0.7]), 0.1)
    distribution.covariance = covariance
    distribution.factor = cholesky_factor(covariance)
    points = distribution.draw(rng.standard_normal((200_000, 2)))
    # Five standard errors of a mean and of a variance over 200,000 draws.
    np.testing.assert_allclose(points.mean(axis=0), [0.3, 0.7], atol=5 * 0.15 / 447)
    np.testing.assert_allclose(np.cov(points.T) / 0.01, covariance, atol=5 * 2.0 * 1.42 / 447)


def test_the_mean_moves_towards_the_better_half(rng: np.random.Generator) -> None:
    """When draws to the right are better, the mean moves to the right and the step grows."""
    distribution = NormalDistribution(np.full(5, 0.5), 0.1)
    for _ in range(10):
        normals = rng.standard_normal((32, 5))
        distribution.learn(normals[np.argsort(-normals[:, 0])])
    assert distribution.mean[0] > 0.6
    assert distribution.step_size > 0.1
    assert distribution.covariance[0, 0] > distribution.covariance[1, 1]


def test_covariance_and_factor_stay_together(rng: np.random.Generator) -> None:
    """After many generations the factor is still that of the covariance."""
    distribution = NormalDistribution(np.full(8, 0.5), 0.3)
    for _ in range(200):
        normals = rng.standard_normal((16, 8))
        losses = np.sum(distribution.draw(normals) ** 2 * 10.0 ** np.arange(8), axis=1)
        distribution.learn(normals[np.argsort(losses)])
    rebuilt = distribution.factor @ distribution.factor.T
    scale = np.sqrt(np.diagonal(distribution.covariance))
    # 1e-12 of the variances: rounding of eight sums.
    np.testing.assert_allclose(
        rebuilt / np.outer(scale, scale),
        distribution.covariance / np.outer(scale, scale),
        atol=1e-12,
    )


def _tails(mean: float, deviation: float, n_cells: int) -> list[float]:
    """Return the probability of leaving the cell of the mean, through each wall that it has."""
    cell = min(max(math.ceil(mean * n_cells) - 1, 0), n_cells - 1)
    spread = NormalDist(mean, deviation)
    low = [spread.cdf(cell / n_cells)] if cell > 0 else []
    return low + ([1.0 - spread.cdf((cell + 1) / n_cells)] if cell < n_cells - 1 else [])


@given(
    mean=st.floats(-0.5, 1.5),
    step_size=st.floats(1e-6, 1.0),
    widening=st.floats(0.01, 100.0),
    n_cells=st.integers(2, 12),
)
def test_every_neighbouring_cell_keeps_its_probability(
    mean: float, step_size: float, widening: float, n_cells: int
) -> None:
    """arXiv:2205.13482, section 4: no tail is smaller than the bound (half of it inside)."""
    box = Box(circular=np.array([False]), cells=np.array([n_cells], dtype=np.int64))
    distribution = NormalDistribution(np.array([mean]), step_size)
    widths = np.array([widening])
    correct_margins(distribution, widths, box, n_candidates=32)
    tails = _tails(float(distribution.mean[0]), step_size * float(widths[0]), n_cells)
    bound = 1.0 / 32 if len(tails) == 1 else 0.5 / 32
    # 0.1 %: `_tails` takes a difference from 1, and the paper's shares are approximate there.
    assert min(tails) >= bound * 0.999


@pytest.mark.parametrize(("mean", "step_size"), [(0.5, 0.3), (0.35, 0.2), (0.7, 0.25)])
def test_a_wide_distribution_is_left_alone(mean: float, step_size: float) -> None:
    """Where the neighbours are in reach anyway, nothing is corrected."""
    box = Box(circular=np.array([False]), cells=np.array([3], dtype=np.int64))
    distribution, widths = NormalDistribution(np.array([mean]), step_size), np.ones(1)
    correct_margins(distribution, widths, box, n_candidates=32)
    # 1e-12: the quantile undoes the distribution function.
    assert float(distribution.mean[0]) == pytest.approx(mean, abs=1e-12)
    assert float(widths[0]) == pytest.approx(1.0, abs=1e-12)


def test_continuous_dimensions_are_left_alone() -> None:
    """Only steps need a margin."""
    box = Box(circular=np.array([False, True]), cells=np.zeros(2, dtype=np.int64))
    distribution, widths = NormalDistribution(np.array([0.2, 0.9]), 1e-9), np.ones(2)
    correct_margins(distribution, widths, box, n_candidates=32)
    assert distribution.mean.tolist() == [0.2, 0.9]
    assert widths.tolist() == [1.0, 1.0]
