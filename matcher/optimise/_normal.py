"""Compiled normal equations: sums in fixed order, so that no number of threads changes a bit.

A matrix product or a solver of LAPACK may add in another order with another number of threads;
a resumed search would then leave its path. Here two threads share the rows, and each sum is made
by one of them.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np
from numba import njit

from shared.lanes import LANES, sum_products

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    from shared import Float32Array, FloatArray

    BoolArray = npt.NDArray[np.bool_]

# Differences that are added up in float32 before they join a float64 sum.
BLOCK = 1024


def products(residuals: Float32Array, weights: Float32Array, moved: FloatArray) -> FloatArray:
    """Turn differences into weighed slopes, and multiply all rows with each other.

    `residuals` (n_rows, n) are those at a point, at a small move from it each, and at other
    points. Products come in this order: slopes, the point, the others. Weighed by the root of
    weight over size, they are sums of weighed squares.
    """
    n_rows, n = residuals.shape
    rows = np.empty((n_rows, n + -n % LANES), np.float32)
    # Weighing costs the same for every row, products more for the later ones.
    in_thread = residuals, weights, moved.astype(np.float32), rows
    _by_two(lambda first, last: weigh(*in_thread, first, last), n_rows, n_rows // 2)
    out = np.zeros((n_rows, n_rows))
    _by_two(lambda first, last: gram(rows, out, first, last), n_rows, round(n_rows / 2**0.5))
    upper = np.triu_indices(n_rows, 1)
    out[upper] = out.T[upper]
    return out


def _by_two(job: Callable[[int, int], None], n_rows: int, middle: int) -> None:
    """Do the rows up to the middle in another thread, the others here."""
    with ThreadPoolExecutor(1) as pool:
        first_half = pool.submit(job, 0, middle)
        job(middle, n_rows)
        first_half.result()


@njit(nogil=True, cache=True, error_model="numpy")
def weigh(
    residuals: Float32Array,
    weights: Float32Array,
    moved: Float32Array,
    rows: Float32Array,
    first: int,
    last: int,
) -> None:
    """Fill rows from `first` to before `last`: slopes, the point, other places; then zeros."""
    n, n_moved = residuals.shape[1], moved.shape[0]
    for i in range(first, last):
        for j in range(n):
            here = residuals[0, j]
            leverage = np.sqrt(weights[j] / max(abs(here), np.float32(1.0)))
            if i < n_moved:
                x = (residuals[i + 1, j] - here) / moved[i]
            else:
                x = here if i == n_moved else residuals[i, j]
            rows[i, j] = x * leverage
        rows[i, n:] = np.float32(0.0)


@njit(nogil=True, cache=True, error_model="numpy")
def gram(rows: Float32Array, out: FloatArray, begin: int, end: int) -> None:
    """Add products of rows (n_rows, n) with all rows up to each, n a multiple of LANES.

    Rows `begin` to before `end` of the lower half of `out` (n_rows, n_rows) are filled, which are
    zeros before. Four products at a time share what is loaded, and none of them waits for another.
    """
    n = rows.shape[1]
    flat, sums = rows.ravel(), np.empty(4 * LANES, np.float32)
    for first in range(0, n, BLOCK):
        size = min(BLOCK, n - first)
        for i in range(begin, end):
            at = i * n + first
            for j in range(0, i + 1, 4):
                # Where there are fewer than four left, the last one is taken again.
                others = (
                    j * n + first,
                    min(j + 1, i) * n + first,
                    min(j + 2, i) * n + first,
                    min(j + 3, i) * n + first,
                )
                sum_products(flat, at, others, size, sums)
                for k in range(min(4, i + 1 - j)):
                    total = 0.0
                    for lane in range(LANES):
                        total += sums[k * LANES + lane]
                    out[i, j + k] += total


@njit(nogil=True, cache=True, error_model="numpy")
def factor(matrix: FloatArray) -> bool:
    """Put the Cholesky factor into the lower half of a matrix; False if it isn't definite."""
    n = len(matrix)
    for j in range(n):
        for k in range(j):
            matrix[j, j] -= matrix[j, k] * matrix[j, k]
        if not matrix[j, j] > 0.0:
            return False
        matrix[j, j] = np.sqrt(matrix[j, j])
        for i in range(j + 1, n):
            for k in range(j):
                matrix[i, j] -= matrix[i, k] * matrix[j, k]
            matrix[i, j] /= matrix[j, j]
    return True


@njit(nogil=True, cache=True, error_model="numpy")
def solve(matrices: FloatArray, right: FloatArray, is_free: BoolArray, out: FloatArray) -> None:
    """Solve symmetric positive definite systems (n_systems, n, n) by Cholesky, overwriting them.

    What isn't free is left out, and 0 in `out` (n_systems, n); all is where one isn't definite.
    """
    n = right.shape[1]
    for s in range(len(right)):
        matrix, found = matrices[s], out[s]
        for j in range(n):
            found[j] = right[s, j] if is_free[s, j] else 0.0
            if not is_free[s, j]:
                matrix[j, :], matrix[:, j] = 0.0, 0.0
                matrix[j, j] = 1.0
        if not factor(matrix):
            found[:] = 0.0
            continue
        for i in range(n):
            for k in range(i):
                found[i] -= matrix[i, k] * found[k]
            found[i] /= matrix[i, i]
        for i in range(n - 1, -1, -1):
            for k in range(i + 1, n):
                found[i] -= matrix[k, i] * found[k]
            found[i] /= matrix[i, i]
