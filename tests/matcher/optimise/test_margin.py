"""The margin that keeps neighbouring cells in reach."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from matcher.optimise.box import Box
from matcher.optimise.cma_es import NormalDistribution, correct_margins


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
