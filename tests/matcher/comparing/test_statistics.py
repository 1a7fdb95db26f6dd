"""Final losses and the course of searches, against figures worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.comparing import Quartiles
from matcher.comparing.statistics import quartiles
from tests.matcher.comparing.made_runs import comparison_of, made_run


def test_quartiles_of_five_values() -> None:
    """The second, third and fourth of five values; R's default and numpy's "linear" agree."""
    assert quartiles([5.0, 1.0, 4.0, 2.0, 3.0]) == Quartiles(2.0, 3.0, 4.0)


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
