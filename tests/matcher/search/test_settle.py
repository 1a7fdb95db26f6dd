"""Settling on the steps of a panel: the result has no better neighbour."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.problem import Problem
from matcher.search.settle import settle_on_steps
from tests.benchmarks.bench_panel_steps import coarse_panel

if TYPE_CHECKING:
    from collections.abc import Callable

    from shared import FloatArray

N = 7


@pytest.fixture(scope="module")
def problem() -> Problem:
    """Make a problem of seven coarse controls and one phase."""
    structure = coarse_panel(is_stepped=True)
    return Problem(structure, structure.space, structure.complete({}), 1)


def valley(problem: Problem, best: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """Return a bent valley over the cells: two controls must move together to go down it."""

    def losses(vectors: FloatArray) -> FloatArray:
        cells = np.floor(vectors[:, :N] * problem.cells[:N]) - best
        along, across = cells[:, 0] + cells[:, 4], cells[:, 0] - cells[:, 4]
        rest = np.sum(cells[:, [1, 2, 3, 5, 6]] ** 2, axis=1)
        return np.asarray(along**2 + 50.0 * across**2 + rest, dtype=np.float64)

    return losses


def test_it_goes_down_a_valley_that_single_steps_do_not_see(problem: Problem) -> None:
    """From (0, 0) to (3, 3) each single step costs 50; only pairs lead there."""
    start = np.full(problem.n_dimensions, 0.5)
    # Resonance and filter envelope do something; what is at rest stays there.
    start[:N] = (np.array([0, 0, 1, 2, 0, 0, 0]) + 0.5) / problem.cells[:N]
    best = np.array([3.0, 1.0, 2.0, 1.0, 3.0, 2.0, 1.0])
    losses = valley(problem, best)
    found, loss = settle_on_steps(
        problem, start, float(losses(start[None])[0]), losses, n_evaluations=10_000
    )
    np.testing.assert_array_equal(np.floor(found[:N] * problem.cells[:N]), best)
    assert loss == 0.0


@pytest.mark.parametrize("n_evaluations", [0, 5, 20, 100])
def test_it_keeps_to_its_budget_and_never_gets_worse(problem: Problem, n_evaluations: int) -> None:
    """No candidate beyond the budget is scored, and the loss told is that of the vector."""
    counted = []
    inner = valley(problem, np.array([3.0, 1.0, 2.0, 1.0, 3.0, 2.0, 1.0]))

    def losses(vectors: FloatArray) -> FloatArray:
        counted.append(len(vectors))
        return inner(vectors)

    start = np.full(problem.n_dimensions, 0.4)
    before = float(inner(start[None])[0])
    found, loss = settle_on_steps(problem, start, before, losses, n_evaluations=n_evaluations)
    assert sum(counted) <= n_evaluations
    assert loss == float(inner(found[None])[0]) <= before


def test_phases_stay(problem: Problem) -> None:
    """Only controls with steps are moved."""
    start = np.full(problem.n_dimensions, 0.37)
    losses = valley(problem, np.zeros(N))
    found, _ = settle_on_steps(problem, start, 1e9, losses, n_evaluations=500)
    np.testing.assert_array_equal(found[N:], start[N:])
