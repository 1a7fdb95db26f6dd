"""What several runs of one structure show: final losses, course of the search, running time.

Conventions: losses and terms are in audible steps (1 is about one just-noticeable difference);
quartiles are interpolated between the two nearest values (numpy's "linear").

When some runs reach a loss and others end before, neither the mean over the lucky ones nor a
median says what to expect. Expected running time does [1]_, [2]_: all that was spent by all runs,
until they got there or ended, over the number of runs that got there. It is what one would spend
on average by starting again until it works, if unsuccessful runs are as long as these.

References
----------
.. [1] N. Hansen, A. Auger, R. Ros, O. Mersmann, T. Tusar, D. Brockhoff, "COCO: a platform for
   comparing continuous optimizers in a black-box setting", Optimization Methods and Software
   36(1), 114-144, 2021.
.. [2] N. Hansen, A. Auger, D. Brockhoff, T. Tusar, "Anytime performance assessment in blackbox
   optimization benchmarking", IEEE Transactions on Evolutionary Computation 26(6), 2022.
"""

from __future__ import annotations

from collections.abc import Mapping  # noqa: TC003  dataclass fields are resolved in tests
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from matcher.comparing.outcome import MEASURES, TOTAL
from matcher.losses import TERMS
from shared import FloatArray  # noqa: TC001

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.comparing.outcome import FinishedRuns, RunOutcome

__all__ = [
    "Convergence",
    "Quartiles",
    "Reached",
    "StructureSummary",
    "converge",
    "expected_running_time",
    "quartiles",
    "reach",
    "summarise",
]

# Points of a plot; evaluations are spaced by ratio, as searches gain by ratio.
N_POINTS = 60

Axis = Literal["evaluations", "seconds"]


@dataclass(frozen=True)
class Quartiles:
    """The middle of several values, and how far they spread.

    Parameters
    ----------
    low, median, high : float
        Quartiles (a quarter, a half and three quarters of the values lie below), interpolated.
    """

    low: float
    median: float
    high: float


@dataclass(frozen=True)
class StructureSummary:
    """What came out with one structure.

    Parameters
    ----------
    structure : str
        Its name.
    n_runs : int >= 1
        Finished runs.
    measures : mapping of str to Quartiles
        Final loss ("total") and terms over the runs, in audible steps.
    n_evaluations, elapsed_s : Quartiles
        How much was tried, and how long it took.
    """

    structure: str
    n_runs: int
    measures: Mapping[str, Quartiles]
    n_evaluations: Quartiles
    elapsed_s: Quartiles


@dataclass(frozen=True, eq=False)
class Convergence:
    """Lowest loss so far over the course of the search: median and quartiles over runs.

    Parameters
    ----------
    structure : str
        Name of the structure.
    axis : {"evaluations", "seconds"}
        What `x` counts.
    x : np.ndarray, shape=(n_points,), dtype=float64
        Rising.
    measures : mapping of str to np.ndarray, shape=(n_points, 3), dtype=float64
        Lower quartile, median, upper quartile of the loss ("total") and of each term, in audible
        steps.
    n_running : np.ndarray, shape=(n_points,), dtype=float64
        Runs that were still searching; the others count with what they had found.
    """

    structure: str
    axis: Literal["evaluations", "seconds"]
    x: FloatArray
    measures: Mapping[str, FloatArray]
    n_running: FloatArray


@dataclass(frozen=True)
class Reached:
    """How soon a loss was reached.

    Parameters
    ----------
    structure : str
        Name of the structure.
    target : str or None
        Name of the target; None is for all targets together.
    threshold : float > 0
        The loss, in audible steps.
    n_runs, n_reached : int
        Runs in all, and runs that got there.
    evaluations, seconds : float
        Expected running time: what all runs together spent until they got there or ended, over
        the number that got there; infinite if none did.
    median_evaluations, median_seconds : float
        Median over all runs; infinite if fewer than half got there.
    """

    structure: str
    target: str | None
    threshold: float
    n_runs: int
    n_reached: int
    evaluations: float
    seconds: float
    median_evaluations: float
    median_seconds: float

    @property
    def share(self) -> float:
        """Share of the runs that got there, 0 to 1."""
        return self.n_reached / self.n_runs


def quartiles(values: Sequence[float] | FloatArray) -> Quartiles:
    """Find the quartiles of some values, at least one."""
    low, median, high = np.quantile(np.asarray(values, dtype=np.float64), (0.25, 0.5, 0.75))
    return Quartiles(float(low), float(median), float(high))


def summarise(structure: str, runs: Sequence[RunOutcome]) -> StructureSummary:
    """Say what came out with one structure over its finished runs, at least one."""
    return StructureSummary(
        structure,
        len(runs),
        {name: quartiles([run.measure(name) for run in runs]) for name in MEASURES},
        quartiles([run.n_evaluations for run in runs]),
        quartiles([run.elapsed_s for run in runs]),
    )


def converge(finished: FinishedRuns) -> tuple[Convergence, ...]:
    """Follow the lowest loss so far, for each structure over evaluations and over seconds.

    All structures have the same points, so that their plots can be laid on one another.
    """
    runs = finished.runs
    if not runs:
        return ()
    last = max(run.n_evaluations for run in runs)
    # From when every run had found something.
    first_s = max(run.curve.elapsed_s[0] for run in runs)
    last_s = max(first_s, *(run.elapsed_s for run in runs))
    axes: tuple[tuple[Axis, FloatArray], ...] = (
        ("evaluations", np.unique(np.round(np.geomspace(1.0, last, N_POINTS)))),
        ("seconds", np.linspace(first_s, last_s, N_POINTS)),
    )
    return tuple(
        _converge(structure, axis, points, finished.of(structure))
        for axis, points in axes
        for structure in finished.structures
        if finished.of(structure)
    )


def _converge(
    structure: str, axis: Axis, points: FloatArray, runs: Sequence[RunOutcome]
) -> Convergence:
    """Join the curves of a structure."""
    # For each run, the index of the last improvement by each point.
    indices = [
        np.searchsorted(
            run.curve.evaluations if axis == "evaluations" else run.curve.elapsed_s,
            points,
            side="right",
        )
        - 1
        for run in runs
    ]

    def spread(curves: Sequence[Sequence[float]]) -> FloatArray:
        rows = np.stack([np.array(curve)[at] for curve, at in zip(curves, indices, strict=True)])
        quantiles: FloatArray = np.quantile(rows, (0.25, 0.5, 0.75), axis=0)
        return quantiles.T

    ends = [run.n_evaluations if axis == "evaluations" else run.elapsed_s for run in runs]
    return Convergence(
        structure,
        axis,
        points,
        {
            TOTAL: spread([run.curve.loss for run in runs]),
            **{name: spread([run.curve.terms[name] for run in runs]) for name in TERMS},
        },
        np.sum(np.array(ends)[:, None] >= points, axis=0).astype(np.float64),
    )


def expected_running_time(spent: Sequence[float], reached: Sequence[bool]) -> float:
    """Estimate what it takes to reach something by repeated attempts [1]_; infinite if none did.

    `spent` is what each run spent until it got there or ended: evaluations or seconds.

    Examples
    --------
    >>> expected_running_time([100, 300, 1000], [True, True, False])
    700.0
    """
    n_reached = sum(bool(each) for each in reached)
    return float(sum(spent)) / n_reached if n_reached else float("inf")


def reach(finished: FinishedRuns) -> tuple[Reached, ...]:
    """Say how soon each structure reached each threshold: over all targets, then one by one."""
    # With one target, the whole says it all.
    targets = finished.targets if len(finished.targets) > 1 else ()
    return tuple(
        _reach(structure, target, threshold, finished.of(structure, target))
        for structure in finished.structures
        for threshold in finished.thresholds
        for target in (None, *targets)
        if finished.of(structure, target)
    )


def _reach(
    structure: str, target: str | None, threshold: float, runs: Sequence[RunOutcome]
) -> Reached:
    """Say how soon some runs reached a threshold."""
    rows = [_first(run, threshold) for run in runs]
    got_there = [row[0] for row in rows]
    spent = [[row[i] for row in rows] for i in (1, 2)]

    def median(values: Sequence[float]) -> float:
        # A run that didn't get there needs longer than any that did.
        known = [x if ok else np.inf for ok, x in zip(got_there, values, strict=True)]
        return float(np.quantile(known, 0.5, method="inverted_cdf"))

    return Reached(
        structure,
        target,
        threshold,
        len(runs),
        sum(got_there),
        *(expected_running_time(values, got_there) for values in spent),
        *(median(values) for values in spent),
    )


def _first(run: RunOutcome, threshold: float) -> tuple[bool, float, float]:
    """Say whether a run got there, and what it had spent by then or in all."""
    reached = np.flatnonzero(np.array(run.curve.loss) <= threshold)
    if not reached.size:
        return False, float(run.n_evaluations), run.elapsed_s
    first = int(reached[0])
    return True, run.curve.evaluations[first], run.curve.elapsed_s[first]
