"""Parts that only make up for something else, switched off while the rest is fitted again.

Near the bottom of a valley a small bend of one oscillator may stand in for a few hundredths of a
cycle of the other one. Switched off by itself it is missed; with the rest fitted it isn't. That
costs slopes, so it is asked of what moves, of noise, and of bodies alone.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from matcher.optimise import LocalFits
from matcher.problem import whole_vectors
from matcher.search.plain import moving_columns, parts_off
from matcher.voice_map import names_where

if TYPE_CHECKING:
    from collections.abc import Callable

    from matcher.problem import Problem
    from shared import Float32Array, FloatArray
    from shared.types import IntArray

    Measure = Callable[[FloatArray], tuple[FloatArray, Float32Array]]

__all__ = ["plain_after_fits"]


def plain_after_fits(
    problem: Problem,
    vector: FloatArray,
    limit: float,
    measure: Measure,
    weights: Float32Array,
    *,
    n_evaluations: int,
) -> FloatArray:
    """Switch off parts that aren't missed once the rest was fitted again.

    Parameters
    ----------
    problem : Problem
        What vectors mean.
    vector : np.ndarray, shape=(n_dimensions,)
        A plain candidate.
    limit : float
        What its loss may be without them.
    measure, weights, n_evaluations
        As for `matcher.optimise.LocalFits`.

    Returns
    -------
    np.ndarray, shape=(n_dimensions,)
        A candidate with fewer parts, or the same.
    """
    while len(off := parts_off(problem, vector, names_where("stands_in"))):
        # What is at rest stays at rest.
        columns = moving_columns(problem, vector)
        fits = LocalFits(
            partial(_measured, measure, vector, columns),
            weights,
            circular=problem.circular[columns],
            cells=problem.cells[columns],
            n_evaluations=n_evaluations,
        )
        plainer = fits.best_within(vector[columns], off[:, columns], limit)
        if plainer is None:
            break
        vector, n_evaluations = whole_vectors(vector, columns, plainer[None])[0], fits.n_left
    return vector


def _measured(
    measure: Measure, base: FloatArray, columns: IntArray, rows: FloatArray
) -> tuple[FloatArray, Float32Array]:
    """Measure what the moving entries make of a whole vector."""
    return measure(whole_vectors(base, columns, rows))
