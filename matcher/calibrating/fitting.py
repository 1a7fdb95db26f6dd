"""Measured values with error bars, and least squares that give them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from shared import FloatArray

__all__ = ["Fit", "Measured", "best_fit"]

# Two parameters that can't be told apart leave a matrix without inverse; errors are then held
# here, far above anything that counts as measured.
LARGEST_ERROR = 1e6


@dataclass(frozen=True)
class Measured:
    """A value in the unit of the parameter, its standard error, what the recording can't tell."""

    value: float
    error: float
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Fit:
    """Fitted parameters, their standard errors, and the root mean square of the residuals."""

    values: FloatArray
    errors: FloatArray
    rms: float


def best_fit(
    residuals: Callable[[FloatArray], FloatArray],
    starts: Sequence[FloatArray],
    low: FloatArray,
    high: FloatArray,
    *,
    correlation: float = 1.0,
    least_variance: float = 0.0,
) -> Fit:
    """Fit from several starts between limits, and keep the best.

    Standard errors are the inverse of J^T J times the residual variance, as for any linear least
    squares, with the number of independent values (W. H. Press et al., "Numerical Recipes", 3rd
    ed., 2007, section 15.6, from memory). `correlation` is how many neighbouring values say the
    same thing, as they come from overlapping windows. `least_variance` is taken at least: 1 where
    residuals are counted in known errors, which a lucky fit doesn't make smaller.
    """
    from scipy.optimize import least_squares  # noqa: PLC0415  keeps the help quick

    margin = 1e-6 * (high - low)
    results = [
        least_squares(residuals, np.clip(start, low + margin, high - margin), bounds=(low, high))
        for start in starts
    ]
    best = min(results, key=lambda result: float(result.cost))
    jacobian = np.asarray(best.jac, dtype=np.float64)
    n_values, n_parameters = jacobian.shape
    n_independent = n_values / correlation
    mean_square = 2.0 * float(best.cost) / n_values
    variance = max(
        mean_square * n_independent / max(n_independent - n_parameters, 1.0), least_variance
    )
    information = jacobian.T @ jacobian / correlation
    # A trace of the identity: what can't be told apart gets a huge error, not none.
    ridge = 1e-15 * float(np.sum(np.diagonal(information))) * np.eye(n_parameters)
    try:
        spread = np.maximum(np.diagonal(np.linalg.inv(information + ridge)), 0.0) * variance
    except np.linalg.LinAlgError:
        spread = np.full(n_parameters, LARGEST_ERROR**2)
    errors = np.minimum(np.sqrt(spread), LARGEST_ERROR)
    return Fit(np.asarray(best.x), errors, float(np.sqrt(mean_square)))
