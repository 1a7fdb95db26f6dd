"""The search loop."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.optimise import (
    make_sampler,
    search,
)
from shared.errors import ParameterError
from tests.search_functions import sphere

if TYPE_CHECKING:
    from shared.types import FloatArray


def test_the_number_of_evaluations_is_kept_exactly() -> None:
    """The last batch is cut to fit the budget."""
    sizes: list[int] = []

    def objective(candidates: FloatArray) -> FloatArray:
        sizes.append(len(candidates))
        return sphere(candidates)

    result = search(objective, make_sampler("cmaes", 3, seed=1), n_evaluations=100)
    assert sizes == [32, 32, 32, 4]
    assert result.n_evaluations == 100
    assert result.stop_reason == "evaluations"


def test_the_deadline_is_asked_before_each_batch() -> None:
    """The search ends with the batch during which the time ran out."""
    answers = iter([False, False, True])
    result = search(sphere, make_sampler("cmaes", 3, seed=1), deadline=lambda: next(answers))
    assert result.n_evaluations == 64
    assert result.stop_reason == "deadline"


def test_a_deadline_in_the_past_evaluates_nothing() -> None:
    """A result without evaluations says so."""
    result = search(sphere, make_sampler("cmaes", 3, seed=1), deadline=lambda: True)
    assert result.n_evaluations == 0
    assert np.isinf(result.best_loss)


def test_the_callback_can_end_the_search() -> None:
    """True ends it; any other answer doesn't."""
    seen: list[FloatArray] = []

    def on_batch(candidates: FloatArray, losses: FloatArray) -> object:
        np.testing.assert_array_equal(losses, sphere(candidates))
        seen.append(losses)
        return True if len(seen) == 3 else "go on"

    result = search(sphere, make_sampler("cmaes", 3, seed=1), on_batch=on_batch)
    assert result.n_evaluations == 96
    assert result.stop_reason == "callback"
    assert result.best_loss == np.min(seen)
    assert float(sphere(result.best[np.newaxis])[0]) == result.best_loss


def test_an_objective_that_overwrites_its_candidates_does_no_harm() -> None:
    """The sampler and the result keep their own."""

    def careless(candidates: FloatArray) -> FloatArray:
        losses = sphere(candidates)
        candidates[:] = -1.0
        return losses

    results = [
        search(each, make_sampler("cmaes", 3, seed=1), n_evaluations=96)
        for each in (careless, sphere)
    ]
    np.testing.assert_array_equal(results[0].best, results[1].best)


def test_losses_that_are_not_finite_never_become_the_best() -> None:
    """Neither NaN nor an infinity of either sign is an improvement."""

    def objective(candidates: FloatArray) -> FloatArray:
        losses = sphere(candidates)
        losses[::3], losses[1::3] = np.nan, -np.inf
        return losses

    result = search(objective, make_sampler("cmaes", 3, seed=1), n_evaluations=96)
    assert np.isfinite(result.best_loss)


def test_an_objective_of_another_length_is_refused() -> None:
    """A loss for each candidate, or the search would learn from the wrong ones."""
    with pytest.raises(ParameterError, match=r"losses have shape \(\); they must have \(32,\)"):
        search(lambda _: np.float64(1.0), make_sampler("cmaes", 3, seed=1), n_evaluations=64)
