"""Final losses, course of searches and running time, against figures worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from matcher.comparing.statistics import expected_running_time
from tests.matcher.comparing.made_runs import comparison_of, made_run


def test_a_summary_takes_all_runs_of_a_structure() -> None:
    """Runs of all targets and seeds count, those of other structures don't."""
    runs = [made_run("horn", "plain", s, loss=1.0 + s, elapsed_s=10.0 + s) for s in range(3)]
    runs += [made_run("pad", "plain", 0, loss=9.0), made_run("horn", "rich", 0, loss=100.0)]
    summary = comparison_of(runs).summaries[0]
    assert (summary.structure, summary.n_runs) == ("plain", 4)
    assert summary.measures["total"].median == 2.5
    assert summary.elapsed_s.high == pytest.approx(11.25)


def test_a_curve_holds_its_value_until_the_next_improvement() -> None:
    """The lowest loss so far is a staircase: at 9 evaluations it is still that of the first."""
    run = made_run(course=[(1, 0.1, 8.0), (10, 1.0, 4.0), (100, 9.0, 2.0)], n_evaluations=100)
    curve = comparison_of([run]).convergence[0]
    medians = dict(zip(curve.x, curve.measures["total"][:, 1], strict=True))
    assert [medians[x] for x in (1.0, 9.0, 10.0, 100.0)] == [8.0, 8.0, 4.0, 2.0]
    assert max(x for x, loss in medians.items() if loss == 4.0) < 100.0


def test_curves_have_the_median_and_quartiles_over_runs() -> None:
    """Of runs that end at 1, 2, 3, 4 and 5, the quartiles at the end are 2, 3 and 4."""
    runs = [
        made_run(seed=s, course=[(1, 0.1, 9.0), (50 + s, 5.0, 1.0 + s)], n_evaluations=60)
        for s in range(5)
    ]
    for curve in comparison_of(runs).convergence:
        np.testing.assert_array_equal(curve.measures["total"][0], [9.0, 9.0, 9.0])
        np.testing.assert_array_equal(curve.measures["total"][-1], [2.0, 3.0, 4.0])
        np.testing.assert_array_equal(curve.measures["onset"][-1], [2.0, 3.0, 4.0])


def test_a_run_that_has_ended_counts_with_what_it_had() -> None:
    """A slow run isn't dropped from the median, and it is told how many still searched."""
    runs = [
        made_run(seed=0, course=[(1, 0.1, 8.0)], n_evaluations=10),
        made_run(seed=1, course=[(1, 0.1, 8.0), (90, 9.0, 2.0)], n_evaluations=100),
    ]
    curve = comparison_of(runs).convergence[0]
    assert curve.measures["total"][-1, 1] == 5.0
    assert (curve.n_running[0], curve.n_running[-1]) == (2.0, 1.0)


def test_all_structures_lie_on_the_same_points() -> None:
    """Plots can be laid on one another, though one structure tried three times as much."""
    runs = [made_run(structure="plain", n_evaluations=3000), made_run(structure="rich")]
    first, second = (c for c in comparison_of(runs).convergence if c.axis == "evaluations")
    np.testing.assert_array_equal(first.x, second.x)
    assert first.x[-1] == 3000.0


def test_curves_over_seconds_begin_where_every_run_has_a_value() -> None:
    """Before the first batch of the slowest run there is nothing to take a median of."""
    runs = [
        made_run(seed=0, course=[(1, 0.1, 8.0), (5, 3.0, 7.0)]),
        made_run(seed=1, course=[(1, 2.0, 6.0)]),
    ]
    curve = next(c for c in comparison_of(runs).convergence if c.axis == "seconds")
    assert curve.x[0] == 2.0
    assert curve.measures["total"][0, 1] == 7.0


def test_all_that_was_spent_over_the_successes() -> None:
    """Hansen et al., COCO, 2021, section 6: all evaluations, over the number of successes.

    Runs that succeed after 100 and 300, and one that fails after 1000: 1400 / 2.
    """
    assert expected_running_time([100.0, 300.0, 1000.0], [True, True, False]) == 700.0


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
