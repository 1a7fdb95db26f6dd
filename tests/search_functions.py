"""Test functions for the search, moved into the unit box.

Each takes candidates, shape=(n_candidates, n_dimensions), in [0, 1] and returns their losses; the
lowest is 0, at `optimum(n_dimensions)`. The formulas are those of N. Hansen, S. Finck, R. Ros,
A. Auger, "Real-Parameter Black-Box Optimization Benchmarking 2009: Noiseless Functions
Definitions", INRIA research report 6829, 2009, on their domain [-5, 5].
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from shared.types import FloatArray

__all__ = ["ellipsoid", "optimum", "rastrigin", "rosenbrock", "sphere"]

_WIDTH = 10.0


def optimum(n_dimensions: int) -> FloatArray:
    """Return the place of the lowest loss, drawn once within [-4, 4] as the report has it."""
    return np.random.default_rng(2009).uniform(0.1, 0.9, n_dimensions)


def _shifted(candidates: FloatArray) -> FloatArray:
    """Return x - x_opt on the report's domain."""
    return _WIDTH * (candidates - optimum(candidates.shape[1]))


def sphere(candidates: FloatArray) -> FloatArray:
    """Return f1."""
    return np.sum(_shifted(candidates) ** 2, axis=1)


def ellipsoid(candidates: FloatArray) -> FloatArray:
    """Return f10 without T_osz: a bowl 1000 times longer than wide, turned in space."""
    n = candidates.shape[1]
    rotation = np.linalg.qr(np.random.default_rng(10).standard_normal((n, n)))[0]
    z = _shifted(candidates) @ rotation
    return np.sum(10.0 ** (6.0 * np.arange(n) / (n - 1)) * z**2, axis=1)


def rosenbrock(candidates: FloatArray) -> FloatArray:
    """Return f8: a bent valley, in which all dimensions depend on their neighbours."""
    z = max(1.0, np.sqrt(candidates.shape[1]) / 8.0) * _shifted(candidates) + 1.0
    return np.sum(100.0 * (z[:, :-1] ** 2 - z[:, 1:]) ** 2 + (z[:, :-1] - 1.0) ** 2, axis=1)


def rastrigin(candidates: FloatArray) -> FloatArray:
    """Return f3 without T_osz, T_asy and Lambda: about 10^D valleys on a bowl."""
    z = _shifted(candidates)
    n = candidates.shape[1]
    return 10.0 * (n - np.sum(np.cos(2.0 * np.pi * z), axis=1)) + np.sum(z**2, axis=1)
