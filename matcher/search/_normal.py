"""Compiled normal equations: sums in fixed order, so that no number of threads changes a bit.

A matrix product or a solver of LAPACK may add in another order with another number of threads;
a resumed search would then leave its path.
"""

import numpy as np
from numba import njit

from shared import Float32Array, FloatArray

LANES = 16
# Differences that are added up in float32 before they join a float64 sum.
BLOCK = 1024
ZERO = np.float32(0.0)


@njit(nogil=True, cache=True, error_model="numpy")
def gram(rows: Float32Array, out: FloatArray) -> None:
    """Products of all rows (n_rows, n) with each other, n a multiple of LANES.

    `out` (n_rows, n_rows) is symmetric: one half is computed and mirrored.
    """
    n_rows, n = rows.shape
    lanes = np.zeros(LANES, np.float32)
    out[:, :] = 0.0
    for first in range(0, n, BLOCK):
        last = min(first + BLOCK, n)
        for i in range(n_rows):
            for j in range(i + 1):
                lanes[:] = ZERO
                for k in range(first, last, LANES):
                    for lane in range(LANES):
                        lanes[lane] += rows[i, k + lane] * rows[j, k + lane]
                total = 0.0
                for lane in range(LANES):
                    total += lanes[lane]
                out[i, j] += total
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
