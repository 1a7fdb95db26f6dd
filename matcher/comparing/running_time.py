"""How soon a given loss is reached: expected running time.

When some runs reach a loss and others end before, neither the mean over the lucky ones nor a
median tells what to expect. Expected running time does: all that was spent by all runs, until
they got there or ended, over the number of runs that got there. It is what one would spend on
average by starting again until it works, if unsuccessful runs are as long as these.

References
----------
.. [1] N. Hansen, A. Auger, R. Ros, O. Mersmann, T. Tusar, D. Brockhoff, "COCO: a platform for
   comparing continuous optimizers in a black-box setting", Optimization Methods and Software
   36(1), 114-144, 2021.
.. [2] N. Hansen, A. Auger, D. Brockhoff, T. Tusar, "Anytime performance assessment in blackbox
   optimization benchmarking", IEEE Transactions on Evolutionary Computation 26(6), 2022.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.comparing.figures import Reached

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.comparing.comparison import Comparison
    from matcher.comparing.outcome import RunOutcome

__all__ = ["expected_running_time", "reach"]


def expected_running_time(spent: Sequence[float], reached: Sequence[bool]) -> float:
    """Estimate what it takes to reach something by repeated attempts.

    Parameters
    ----------
    spent : sequence of float >= 0
        What each run spent until it got there or ended: evaluations or seconds.
    reached : sequence of bool
        Which runs got there.

    Returns
    -------
    float
        Sum of all that was spent over the number of runs that got there [1]_; infinite if none
        did.

    Examples
    --------
    >>> expected_running_time([100, 300, 1000], [True, True, False])
    700.0
    """
    n_reached = sum(bool(each) for each in reached)
    return float(sum(spent)) / n_reached if n_reached else float("inf")


def reach(comparison: Comparison) -> tuple[Reached, ...]:
    """Say how soon each threshold was reached.

    Parameters
    ----------
    comparison : Comparison
        Finished runs.

    Returns
    -------
    tuple of Reached
        For each structure and threshold: over all targets, then target by target.
    """
    found = []
    # With one target, the whole says it all.
    targets = comparison.targets if len(comparison.targets) > 1 else ()
    for structure in comparison.structures:
        for threshold in comparison.thresholds:
            for target in (None, *targets):
                runs = comparison.of(structure, target)
                if runs:
                    found.append(_reach(structure, target, threshold, runs))
    return tuple(found)


def _reach(
    structure: str, target: str | None, threshold: float, runs: Sequence[RunOutcome]
) -> Reached:
    """Say how soon some runs reached a threshold."""
    rows = [_first(run, threshold) for run in runs]
    got_there = [row[0] for row in rows]
    evaluations, seconds = ([row[i] for row in rows] for i in (1, 2))
    medians = [
        # A run that didn't get there needs longer than any that did.
        float(
            np.quantile(
                [x if ok else np.inf for ok, x in zip(got_there, spent, strict=True)],
                0.5,
                method="inverted_cdf",
            )
        )
        for spent in (evaluations, seconds)
    ]
    return Reached(
        structure,
        target,
        threshold,
        len(runs),
        sum(got_there),
        expected_running_time(evaluations, got_there),
        expected_running_time(seconds, got_there),
        *medians,
    )


def _first(run: RunOutcome, threshold: float) -> tuple[bool, float, float]:
    """Say whether a run got there, and what it had spent by then or in all."""
    places = np.flatnonzero(run.curve.loss <= threshold)
    if not places.size:
        return False, float(run.n_evaluations), run.elapsed_s
    place = int(places[0])
    return True, float(run.curve.evaluations[place]), float(run.curve.elapsed_s[place])
