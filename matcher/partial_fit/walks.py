"""Walks down to the partials of a note, many side by side.

Levenberg and Marquardt's steps, the model's slopes in closed form. What a walk does depends on its
own start alone, not on its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.optimise import descend
from matcher.partial_fit import _paths, _rows
from matcher.partial_fit._paths import LEVELS, MOVES, N

if TYPE_CHECKING:
    import numpy.typing as npt

    from matcher.partial_fit.tracks import PartialTracks
    from shared import FloatArray

    BoolArray = npt.NDArray[np.bool_]
    IntArray = npt.NDArray[np.int64]

__all__ = ["Ground", "Limits"]


@dataclass(frozen=True, eq=False)
class Limits:
    """What a vector may be.

    Parameters
    ----------
    ends : np.ndarray, shape=(2, N), dtype=float64
        Lowest and highest values.
    sources : np.ndarray of int, shape=(N,)
        The entry that each one follows: itself, unless it is tied to another one.
    """

    ends: FloatArray
    sources: IntArray

    def held(self, vectors: FloatArray) -> FloatArray:
        """Hold vectors within the ends, tied, and with their strongest waveform at level 1.

        Levels count as ratios, since the gain of every partial is free.

        Parameters
        ----------
        vectors : np.ndarray, shape=(n_vectors, N)
            Parameters.

        Returns
        -------
        np.ndarray, shape=(n_vectors, N), dtype=float64
            A copy.
        """
        held: FloatArray = np.clip(vectors, *self.ends)[:, self.sources]
        strongest = held[:, LEVELS:MOVES].max(axis=1, keepdims=True)
        held[:, LEVELS:MOVES] /= np.where(strongest > 0.0, strongest, 1.0)
        return held


class Ground:
    """What vectors leave of a note's partials, and the way down.

    Parameters
    ----------
    tracks : PartialTracks
        The note.
    limits : Limits
        What a vector may be.
    n_partials : int >= 1
        How many partials count, from the lowest up.
    every : int >= 1
        Which frames count: each one, each second one, ...
    n_courses : int >= 1
        How freely a partial's gain moves: coefficients of a polynomial over time.
    """

    def __init__(
        self,
        tracks: PartialTracks,
        limits: Limits,
        *,
        n_partials: int,
        every: int,
        n_courses: int,
    ) -> None:
        skipped = -tracks.first % every
        self.limits = limits
        self._target = tracks.normalised(n_partials)[skipped::every].copy()
        first = (tracks.first + skipped) // every
        self._timing = np.array(
            [tracks.pitch_hz, every * tracks.step_s, float(first), 0.25 * tracks.window_s]
        )
        self._n_courses = n_courses

    @property
    def n_partials(self) -> int:
        """How many partials count."""
        return int(self._target.shape[1])

    def costs(self, vectors: FloatArray) -> FloatArray:
        """Say what each vector leaves of the partials.

        Parameters
        ----------
        vectors : np.ndarray, shape=(n_vectors, N)
            Parameters, held within the limits.

        Returns
        -------
        np.ndarray, shape=(n_vectors,), dtype=float64
            Sum over partials of the share of their power that is left, 0 to `n_partials`.
        """
        costs = np.empty(len(vectors))
        paths = np.empty((len(vectors), 2, _paths.N_PLAIN, len(self._target)))
        _paths.set_paths(vectors, self._timing, paths)
        _rows.set_costs(vectors, paths, self._target, self._n_courses, costs)
        return costs

    def walk(
        self, vectors: FloatArray, is_free: BoolArray, n_steps: int
    ) -> tuple[FloatArray, FloatArray]:
        """Walk down from each vector.

        Parameters
        ----------
        vectors : np.ndarray, shape=(n_vectors, N)
            Where to begin.
        is_free : np.ndarray of bool, shape=(n_vectors, N)
            What moves.
        n_steps : int >= 0
            Most steps of each walk, those that led nowhere included.

        Returns
        -------
        vectors : np.ndarray, shape=(n_vectors, N)
            Where the walks end.
        costs : np.ndarray, shape=(n_vectors,)
            What they leave; see `costs`.
        """
        return descend(
            vectors,
            is_free,
            n_steps,
            costs=self.costs,
            products=self._products,
            held=self.limits.held,
        )

    def _products(self, vectors: FloatArray) -> FloatArray:
        """Products of residuals and slopes with each other, shape (n_vectors, 1 + N, 1 + N)."""
        products = np.empty((len(vectors), 1 + N, 1 + N))
        paths = np.empty((len(vectors), 2, _paths.N_PATH, len(self._target)))
        _paths.set_paths(vectors, self._timing, paths)
        _rows.set_products(
            vectors, paths, self._target, self._n_courses, self.limits.sources, products
        )
        return products
