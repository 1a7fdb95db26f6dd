"""Compiled normal equations: sums in fixed order, so that no number of threads changes a bit.

A matrix product or a solver of LAPACK may add in another order with another number of threads;
a resumed search would then leave its path.
"""

import numpy as np
from numba import njit

from shared import Float32Array, FloatArray
from shared.lanes import LANES, sum_products

# Differences that are added up in float32 before they join a float64 sum.
BLOCK = 1024


@njit(nogil=True, cache=True, error_model="numpy")
def gram(rows: Float32Array, out: FloatArray) -> None:
    """Products of all rows (n_rows, n) with each other, n a multiple of LANES.

    `out` (n_rows, n_rows) is symmetric: one half is computed and mirrored. Four products at a time
    share what is loaded, and none of them waits for another.
    """
    n_rows, n = rows.shape
    flat, sums = rows.ravel(), np.empty(4 * LANES, np.float32)
    out[:, :] = 0.0
    for first in range(0, n, BLOCK):
        size = min(BLOCK, n - first)
        for i in range(n_rows):
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
    for i in range(n_rows):
        for j in range(i):
            out[j, i] = out[i, j]


@njit(nogil=True, cache=True, error_model="numpy")
def solve(matrix: FloatArray, right: FloatArray, out: FloatArray) -> bool:
    """Solve a symmetric positive definite system by Cholesky; False if it isn't definite.

    `matrix` (n, n) is overwritten; right and out have shape (n,).
    """
    n = len(right)
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
    for i in range(n):
        out[i] = right[i]
        for k in range(i):
            out[i] -= matrix[i, k] * out[k]
        out[i] /= matrix[i, i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            out[i] -= matrix[k, i] * out[k]
        out[i] /= matrix[i, i]
    return True
