"""Importance and Sobol indices on the Ishigami function, against its published indices and SALib.

T. Ishigami and T. Homma, "An importance quantification technique in uncertainty analysis for
computer models", ISUMA 1990: f(x) = sin x1 + a sin^2 x2 + b x3^4 sin x1, each input uniform over
-pi to pi. With a = 7 and b = 0.1 the first-order indices are 0.314, 0.442 and 0, the total ones
0.558, 0.442 and 0.244 (closed form; as in SALib's test function).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from SALib.analyze import sobol as salib_sobol
from SALib.sample import sobol as salib_sample
from SALib.test_functions import Ishigami
from scipy.stats import gaussian_kde

from matcher.explaining.importance import importances_of, sobol_shares

if TYPE_CHECKING:
    from shared.types import FloatArray

FIRST = np.array([0.314, 0.442, 0.0])
TOTAL = np.array([0.558, 0.442, 0.244])
NAMES = ("x1", "x2", "x3")


def ishigami(points: FloatArray) -> FloatArray:
    """Evaluate the function for inputs in [0, 1]."""
    x1, x2, x3 = (2.0 * np.pi * points - np.pi).T
    return np.sin(x1) + 7.0 * np.sin(x2) ** 2 + 0.1 * x3**4 * np.sin(x1)


def test_the_function_is_the_published_one(rng: np.random.Generator) -> None:
    """Ours equals SALib's, with its standard a and b."""
    points = rng.random((100, 3))
    # 1e-12: rounding of three terms of size 10.
    np.testing.assert_allclose(
        ishigami(points), Ishigami.evaluate(2.0 * np.pi * points - np.pi), atol=1e-12
    )


def test_sobol_indices_equal_the_published_ones() -> None:
    """First-order and total indices, estimated with 2048 points."""
    first, total = sobol_shares(ishigami, 3, n_points=2048, seed=1)
    # 0.02: twice the largest error over ten seeds, 0.010.
    np.testing.assert_allclose(first, FIRST, atol=0.02)
    np.testing.assert_allclose(total, TOTAL, atol=0.02)


def test_sobol_indices_agree_with_salib() -> None:
    """Another library finds the same indices from points of its own."""
    problem = {"num_vars": 3, "names": list(NAMES), "bounds": [[0.0, 1.0]] * 3}
    points = salib_sample.sample(problem, 2048, calc_second_order=False, seed=1)
    theirs = salib_sobol.analyze(problem, ishigami(points), calc_second_order=False, seed=1)
    first, total = sobol_shares(ishigami, 3, n_points=2048, seed=2)
    # 0.03: both estimates scatter by about 0.01.
    np.testing.assert_allclose(first, theirs["S1"], atol=0.03)
    np.testing.assert_allclose(total, theirs["ST"], atol=0.03)


def test_fanova_finds_the_first_order_indices(rng: np.random.Generator) -> None:
    """Hutter et al. 2014: fANOVA's shares of single inputs are first-order indices of a forest."""
    from optuna.importance import FanovaImportanceEvaluator  # noqa: PLC0415  slow

    points = rng.random((600, 3))
    evaluator = FanovaImportanceEvaluator(n_trees=8, seed=0)
    found = importances_of(points, ishigami(points), NAMES, evaluator)[0]
    # 0.12: what eight trees on 600 points miss; the error over three seeds stays below 0.09.
    np.testing.assert_allclose([found[name] for name in NAMES], FIRST / FIRST.sum(), atol=0.12)


@pytest.mark.parametrize("quantile", [0.1, 0.25])
def test_ped_anova_compares_the_best_with_all(rng: np.random.Generator, quantile: float) -> None:
    """Watanabe et al. 2023: shares are Pearson divergences of the best ones' density from all.

    Densities are estimated by Gaussian kernels with Scott's bandwidth; here by scipy's.
    """
    from optuna.importance import PedAnovaImportanceEvaluator  # noqa: PLC0415  slow

    points = rng.random((2000, 3))
    values = ishigami(points)
    best = points[values <= np.quantile(values, quantile)]
    grid = np.linspace(0.0, 1.0, 201)
    divergence = np.array(
        [
            _pearson(gaussian_kde(best[:, i])(grid), gaussian_kde(points[:, i])(grid))
            for i in range(3)
        ]
    )
    evaluator = PedAnovaImportanceEvaluator(target_quantile=quantile)
    found = importances_of(points, values, NAMES, evaluator)[0]
    # 0.12: Optuna counts on a grid of 50, cuts kernels at the ends of the range and takes the
    # smaller of two spreads for their width; the largest of ten differences is 0.092.
    np.testing.assert_allclose(
        [found[name] for name in NAMES], divergence / divergence.sum(), atol=0.12
    )


def _pearson(density: FloatArray, reference: FloatArray) -> float:
    """Pearson divergence of two densities on one grid."""
    ratio = (density / density.mean()) / (reference / reference.mean())
    return float(np.mean(reference / reference.mean() * (ratio - 1.0) ** 2))
