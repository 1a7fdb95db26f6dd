"""Expected running time, against worked cases and against what it stands for."""

from __future__ import annotations

import math

import numpy as np
import pytest

from matcher.comparing.running_time import expected_running_time
from tests.matcher.comparing.made_runs import comparison_of, made_run


def test_all_that_was_spent_over_the_successes() -> None:
    """Hansen et al., COCO, 2021, section 6: all evaluations, over the number of successes.

    Runs that succeed after 100 and 300, and one that fails after 1000: 1400 / 2.
    """
    assert expected_running_time([100.0, 300.0, 1000.0], [True, True, False]) == 700.0


def test_with_successes_alone_it_is_the_mean() -> None:
    """Nothing was spent in vain."""
    assert expected_running_time([100.0, 300.0], [True, True]) == 200.0


def test_without_a_success_it_is_infinite() -> None:
    """Nobody got there, so nothing is known but that it takes long."""
    assert expected_running_time([100.0], [False]) == math.inf


def test_it_is_what_starting_again_costs(rng: np.random.Generator) -> None:
    """Its meaning: draw runs until one succeeds, and the mean of what that costs comes out."""
    spent, reached = np.array([120.0, 250.0, 1000.0, 1000.0]), np.array([True, True, False, False])
    costs = []
    for _ in range(20_000):
        cost, ok = 0.0, False
        while not ok:
            i = rng.integers(4)
            cost, ok = cost + spent[i], bool(reached[i])
        costs.append(cost)
    # 1 %: the standard error of this mean is 0.7 %; the seed is fixed.
    expected = expected_running_time(list(spent), list(reached))
    assert np.mean(costs) == pytest.approx(expected, rel=0.01)


def test_reaching_is_read_off_the_curves() -> None:
    """First evaluation and second at which the loss is at or below the threshold."""
    runs = [
        made_run(seed=0, course=[(1, 0.1, 8.0), (10, 1.0, 4.0), (40, 4.0, 1.0)]),
        made_run(seed=1, course=[(1, 0.1, 8.0), (30, 3.0, 3.0)]),
        made_run(seed=2, course=[(1, 0.1, 8.0)]),
    ]
    easy, hard = comparison_of(runs, thresholds=(4.0, 2.0)).reached
    assert (easy.n_reached, easy.n_runs) == (2, 3)
    assert easy.share == pytest.approx(2 / 3)
    # 10 and 30 for the two that got there, 1000 (10 s) for the one that didn't.
    assert (easy.evaluations, easy.seconds) == (520.0, 7.0)
    assert (easy.median_evaluations, easy.median_seconds) == (30.0, 3.0)
    assert (hard.n_reached, hard.evaluations) == (1, 2040.0)
    assert hard.median_evaluations == math.inf


def test_targets_are_told_one_by_one_as_well() -> None:
    """A loss that is easy on the pad and out of reach on the horn."""
    runs = [
        made_run("horn", course=[(1, 0.1, 8.0)]),
        made_run("pad", course=[(1, 0.1, 1.0)]),
    ]
    by_target = {r.target: r.share for r in comparison_of(runs, thresholds=[2.0]).reached}
    assert by_target == {None: 0.5, "horn": 0.0, "pad": 1.0}
