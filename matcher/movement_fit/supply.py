"""What a search gets of the fits: starts of its first stage, jumps of the later ones."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.movement_fit.vectors import movement_jumps, movement_starts

if TYPE_CHECKING:
    from collections.abc import Callable

    from matcher.problem import Problem
    from shared import FloatArray

__all__ = ["Movements"]

# A fit takes about a second, which pays if the first stage has so many candidates; of those, one
# in `STAGE_SHARE`, and no more than `MOST_SWEPT`, put the fits into the rest of the voice.
LEAST_CANDIDATES, STAGE_SHARE, MOST_SWEPT = 400, 16, 64


class Movements:
    """Fits of what the oscillators do, made when they are first needed.

    They follow from target and seed alone, so a search that goes on has the same ones.

    Parameters
    ----------
    problem : Problem
        What is searched.
    fit : callable, optional
        Makes the fits as vectors; see `movement_vectors`. There are none if left out.
    """

    def __init__(self, problem: Problem, fit: Callable[[], FloatArray] | None = None) -> None:
        self._problem = problem
        self._fit = fit
        self._vectors = np.empty((0, problem.n_dimensions))

    def prepare(self, n_left: int) -> None:
        """Make the fits, unless the first stage has too few candidates, about `n_left`."""
        if self._fit is not None and n_left >= LEAST_CANDIDATES:
            self._vectors = self._fit()

    def starts(self, base: FloatArray, n_left: int, *, seed: int) -> FloatArray:
        """Make starts of the first stage; see `movement_starts`.

        Parameters
        ----------
        base : np.ndarray, shape=(n_dimensions,)
            What was measured on the notes.
        n_left : int
            Candidates that the stage has, about.
        seed : int >= 0
            Seed of the sweep.

        Returns
        -------
        np.ndarray, shape=(n_starts, n_dimensions), dtype=float64
            No rows without fits.
        """
        n_swept = max(1, min(MOST_SWEPT, n_left // STAGE_SHARE))
        return movement_starts(self._problem, self._vectors, base, n_swept=n_swept, seed=seed)

    def jumps(self) -> FloatArray:
        """Make jumps of the fits; see `movement_jumps`."""
        return movement_jumps(self._problem, self._vectors)
