"""What several runs of one structure show: the final losses, and the course of the search.

Conventions: losses and terms are in audible steps (1 is about one just-noticeable difference);
quartiles are interpolated between the two nearest values (numpy's "linear").
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from matcher.comparing.figures import Convergence, Quartiles, StructureSummary
from matcher.comparing.outcome import TOTAL, Curve
from matcher.losses import TERMS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matcher.comparing.comparison import Comparison
    from matcher.comparing.outcome import RunOutcome
    from shared import FloatArray

__all__ = ["MEASURES", "converge", "quartiles", "summarise"]

MEASURES = (TOTAL, *TERMS)
# Points of a plot; evaluations are spaced by ratio, as searches gain by ratio.
N_POINTS = 60

Axis = Literal["evaluations", "seconds"]


def quartiles(values: Sequence[float] | FloatArray) -> Quartiles:
    """Find the quartiles of some values.

    Parameters
    ----------
    values : sequence of float
        At least one.

    Returns
    -------
    Quartiles
        In the unit of the values.
    """
    low, median, high = np.quantile(np.asarray(values, dtype=np.float64), (0.25, 0.5, 0.75))
    return Quartiles(float(low), float(median), float(high))


def summarise(structure: str, runs: Sequence[RunOutcome]) -> StructureSummary:
    """Say what came out with one structure.

    Parameters
    ----------
    structure : str
        Its name.
    runs : sequence of RunOutcome
        Its finished runs, at least one.

    Returns
    -------
    StructureSummary
        Quartiles over the runs.
    """
    return StructureSummary(
        structure,
        len(runs),
        {name: quartiles([run.measure(name) for run in runs]) for name in MEASURES},
        quartiles([run.n_evaluations for run in runs]),
        quartiles([run.elapsed_s for run in runs]),
    )


def converge(comparison: Comparison) -> tuple[Convergence, ...]:
    """Follow the lowest loss so far, for each structure over evaluations and over seconds.

    Parameters
    ----------
    comparison : Comparison
        Finished runs.

    Returns
    -------
    tuple of Convergence
        All structures on the same points, so that their plots lie on one another.
    """
    if not comparison.runs:
        return ()
    curves = []
    for axis, points in (
        ("evaluations", _evaluation_points(comparison.runs)),
        ("seconds", _second_points(comparison.runs)),
    ):
        for structure in comparison.structures:
            runs = comparison.of(structure)
            if runs:
                curves.append(_converge(structure, axis, points, runs))  # type: ignore[arg-type]
    return tuple(curves)


def _evaluation_points(runs: Sequence[RunOutcome]) -> FloatArray:
    """Choose numbers of evaluations, from the first to the last."""
    last = max(run.n_evaluations for run in runs)
    return np.unique(np.round(np.geomspace(1.0, last, N_POINTS)))


def _second_points(runs: Sequence[RunOutcome]) -> FloatArray:
    """Choose times, from when every run had found something to the last."""
    first = max(float(run.curve.elapsed_s[0]) for run in runs)
    last = max(run.elapsed_s for run in runs)
    return np.linspace(first, max(first, last), N_POINTS)


def _converge(
    structure: str, axis: Axis, points: FloatArray, runs: Sequence[RunOutcome]
) -> Convergence:
    """Join the curves of a structure."""

    def spread(values_of: Callable[[Curve], FloatArray]) -> FloatArray:
        rows = [values_of(run.curve)[_places(run.curve, axis, points)] for run in runs]
        quantiles: FloatArray = np.quantile(np.stack(rows), (0.25, 0.5, 0.75), axis=0)
        return quantiles.T

    ends = [run.n_evaluations if axis == "evaluations" else run.elapsed_s for run in runs]
    return Convergence(
        structure,
        axis,
        points,
        {
            TOTAL: spread(lambda curve: curve.loss),
            **{name: spread(lambda curve, name=name: curve.terms[name]) for name in TERMS},  # type: ignore[misc]
        },
        np.sum(np.array(ends)[:, None] >= points, axis=0).astype(np.float64),
    )


def _places(
    curve: Curve, axis: Axis, points: FloatArray
) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Return, for each point, the place of the last improvement by then."""
    positions = curve.evaluations if axis == "evaluations" else curve.elapsed_s
    return np.searchsorted(positions, points, side="right") - 1
