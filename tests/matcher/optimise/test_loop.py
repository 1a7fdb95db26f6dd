"""The search loop."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.optimise import (
    BatchReport,
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
    assert result.history == ()


def test_the_callback_can_end_the_search() -> None:
    """True ends it; any other answer doesn't."""
    seen: list[BatchReport] = []

    def on_batch(report: BatchReport) -> object:
        seen.append(report)
        return True if len(seen) == 3 else "go on"

    result = search(sphere, make_sampler("cmaes", 3, seed=1), batch=16, on_batch=on_batch)
    assert result.n_evaluations == 48
    assert result.stop_reason == "callback"
    assert [report.result.n_evaluations for report in seen] == [16, 32, 48]
    assert seen[-1].result == replace(result, stop_reason=None)
    np.testing.assert_array_equal(seen[0].losses, sphere(seen[0].candidates))


def test_history_lists_each_improvement_by_its_evaluation() -> None:
    """The course of the best loss can be drawn from the result."""
    losses: list[float] = []

    def objective(candidates: FloatArray) -> FloatArray:
        values = sphere(candidates)
        losses.extend(values.tolist())
        return values

    result = search(objective, make_sampler("cmaes", 4, seed=1), n_evaluations=320)
    best, expected = np.inf, []
    for number, loss in enumerate(losses, start=1):
        if loss < best:
            best = loss
            expected.append((number, loss))
    assert list(result.history) == expected
    assert result.best_loss == best
    assert float(sphere(result.best[np.newaxis])[0]) == best


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
    assert all(np.isfinite(loss) for _, loss in result.history)


def test_a_search_without_an_end_is_refused() -> None:
    """Nothing runs for ever by mistake."""
    with pytest.raises(ParameterError, match="the search has no end"):
        search(sphere, make_sampler("cmaes", 3, seed=1))


@pytest.mark.parametrize(
    ("limits", "message"),
    [
        ({"n_evaluations": 0}, "n_evaluations is 0; a whole number from 1 up"),
        ({"n_evaluations": 10.5}, "n_evaluations is 10.5"),
        ({"n_evaluations": 10, "batch": 0}, "batch is 0"),
    ],
)
def test_limits_out_of_range_are_refused(limits: dict[str, int], message: str) -> None:
    """The message names the limit and its value."""
    with pytest.raises(ParameterError, match=message):
        search(sphere, make_sampler("cmaes", 3, seed=1), **limits)


def test_an_objective_of_another_length_is_refused() -> None:
    """A loss for each candidate, or the search would learn from the wrong ones."""
    with pytest.raises(ParameterError, match=r"losses have shape \(\); \(32,\) is accepted"):
        search(lambda _: np.float64(1.0), make_sampler("cmaes", 3, seed=1), n_evaluations=64)
