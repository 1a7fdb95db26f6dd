"""What statistics make of finished runs.

Everything here is computed from `RunOutcome`s again when it is asked for, so nothing can go
stale.
"""

from __future__ import annotations

from collections.abc import Mapping  # noqa: TC003  dataclass fields are resolved in tests
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from shared import FloatArray  # noqa: TC001

if TYPE_CHECKING:
    from typing import Literal

__all__ = [
    "Convergence",
    "Effect",
    "PairComparison",
    "Quartiles",
    "Reached",
    "StructureSummary",
]


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


@dataclass(frozen=True)
class Effect:
    """What another structure does to one measure, over pairs of the same target and seed.

    Parameters
    ----------
    measure : str
        "total" or a loss term.
    n_pairs : int >= 1
        Pairs of runs.
    first, second : float
        Mean with either structure, in audible steps.
    difference : float
        Second minus first; below zero, the second is better.
    difference_interval : tuple of (float, float) or None
        Bootstrap interval, 95 %; None where no target has two pairs.
    percent : float
        The difference in percent of the first; NaN if that is 0.
    percent_interval : tuple of (float, float) or None
        Bootstrap interval of the same.
    standardised : float
        Mean of the differences over their standard deviation (Cohen's d for pairs), corrected
        for few pairs; NaN where it can't be told.
    share_better : float, 0 to 1
        Share of pairs in which the second is better; equal ones count half.
    p_value : float, 0 to 1
        Chance of a difference this clear if there were none, corrected for the number of
        questions asked against the first structure; 1 where it can't be told.
    """

    measure: str
    n_pairs: int
    first: float
    second: float
    difference: float
    difference_interval: tuple[float, float] | None
    percent: float
    percent_interval: tuple[float, float] | None
    standardised: float
    share_better: float
    p_value: float

    @property
    def is_clear(self) -> bool:
        """Whether the runs show a difference at all."""
        interval = self.difference_interval
        return (
            self.p_value < 0.05
            and interval is not None
            and (interval[0] > 0.0 or interval[1] < 0.0)
        )

    @property
    def is_audible(self) -> bool:
        """Whether the runs show that the difference makes one audible step or more."""
        interval = self.difference_interval
        return (
            self.is_clear
            and interval is not None
            and min(abs(interval[0]), abs(interval[1])) >= 1.0
        )

    @property
    def is_inaudible(self) -> bool:
        """Whether the runs show that the difference, if any, is below one audible step."""
        interval = self.difference_interval
        return interval is not None and max(abs(interval[0]), abs(interval[1])) < 1.0


@dataclass(frozen=True)
class PairComparison:
    """Two structures side by side.

    Parameters
    ----------
    first, second : str
        Their names.
    effects : mapping of str to Effect
        By measure: "total", then the terms.
    """

    first: str
    second: str
    effects: Mapping[str, Effect] = field(default_factory=dict)
