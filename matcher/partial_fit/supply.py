"""What a search gets of the fits: starts of its first stage, jumps of the later ones."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np

from matcher.partial_fit.vectors import (
    compile_fit,
    movement_jumps,
    movement_starts,
    movement_vectors,
)
from matcher.search.onset_search import front_edges

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matcher.evaluator import Evaluator
    from matcher.problem import Problem
    from matcher.target import TargetNote
    from shared import FloatArray
    from shared.types import IntArray

__all__ = ["Movements"]

# A fit takes about a second, which pays if the first stage has so many candidates of one note; of
# each other note it takes a share of that more. Where candidates are counted it takes none of
# them, and is left to searches that have some time.
LEAST_TIMED, OTHER_NOTE_SHARE, LEAST_COUNTED = 400, 0.15, 200
# One candidate of the first stage in `STAGE_SHARE`, and no more than `MOST_SWEPT`, put the fits
# into the rest of the voice.
STAGE_SHARE, MOST_SWEPT = 16, 64
# Fits that a search begins with, each in both orders of the oscillators.
N_FITS = 4
# Front edges take two or three seconds, which pays if their stage has so many candidates of one
# note; with fewer they are searched less thoroughly, below a share of them not at all.
WHOLE_FRONTS, LEAST_FRONTS = 2000, 0.2


class Movements:
    """Fits of what the oscillators do over time, for one search.

    They follow from target and seed alone, so a search that goes on has the same ones.

    Parameters
    ----------
    problem : Problem
        What is searched.
    notes : sequence of TargetNote
        Its notes; without any there are no fits.
    base : np.ndarray, shape=(n_dimensions,), optional
        What was measured on the notes.
    seed : int >= 0
        Seed of all draws.
    """

    def __init__(
        self,
        problem: Problem,
        notes: Sequence[TargetNote] = (),
        base: FloatArray | None = None,
        *,
        seed: int = 0,
    ) -> None:
        self._problem = problem
        self._notes = tuple(notes)
        self._base = problem.vector({}) if base is None else base
        self._seed = seed
        self._vectors = np.empty((0, problem.n_dimensions))
        self._took_s = 0.0

    def compile(self) -> None:
        """Compile what `prepare` needs, or load what was compiled."""
        if self._notes:
            compile_fit(self._problem, self._notes, self._base)

    def prepare(self, n_left: int, *, is_timed: bool) -> None:
        """Make the fits, unless the first stage has too few candidates.

        Parameters
        ----------
        n_left : int
            Candidates that the first stage has, about.
        is_timed : bool
            Whether the budget is a time, of which the fits take a part.
        """
        if self._notes and n_left >= _least_candidates(len(self._notes), is_timed=is_timed):
            began = time.perf_counter()
            self._vectors = movement_vectors(
                self._problem, self._notes, self._base, n_best=N_FITS, seed=self._seed
            )
            self._took_s = time.perf_counter() - began

    def deadline_s(self, seconds: float, share: float) -> float:
        """Say when a share of a search is over, of the time that the fits have left.

        Otherwise they would take the first stage's time, which is there to try them.

        Parameters
        ----------
        seconds : float > 0
            Time of the whole search, in seconds, the fits included.
        share : float, 0 to 1
            Share of what is left.

        Returns
        -------
        float
            Seconds after the search began; all of them for a share of 1.
        """
        took_s = min(self._took_s, seconds)
        return took_s * (1.0 - share) + seconds * share

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
        """Make jumps of the fits; see `movement_jumps`.

        Returns
        -------
        np.ndarray, shape=(n_jumps, n_dimensions), dtype=float64
            NaN where a fit tells nothing.
        """
        return movement_jumps(self._problem, self._vectors)

    def fronts(
        self,
        evaluator: Evaluator,
        best: FloatArray,
        n_left: int,
        *,
        seed: int,
        moving: IntArray | None = None,
        is_over: Callable[[], bool] = lambda: False,
    ) -> FloatArray:
        """Search the front edge, of the best place so far and of the closest fit put into it.

        A fit leaves the attack out, and a front edge alone is nothing without the right detune: a
        search that has found neither finds both at once. With little time, and in a patch that was
        made plain, only the best place counts.

        Parameters
        ----------
        evaluator : Evaluator
            Renders and scores whole notes.
        best : np.ndarray, shape=(n_dimensions,)
            The best vector so far.
        n_left : int
            Candidates that the stage has, about; with few there are no front edges.
        seed : int >= 0
            Seed of all draws.
        moving : np.ndarray of int, shape=(n_moving,), optional
            What may move in a patch that was made plain.
        is_over : callable
            Asked after each batch; what was found is returned when it says True.

        Returns
        -------
        np.ndarray, shape=(n_found, n_dimensions), dtype=float64
            Vectors.
        """
        effort = min(1.0, n_left * len(self._notes) / WHOLE_FRONTS)
        if effort < LEAST_FRONTS:
            return np.empty((0, self._problem.n_dimensions))
        fits = self.jumps()[: moving is None and effort == 1.0]
        bases = np.concatenate([best[None], np.where(np.isnan(fits), best, fits)])
        return front_edges(
            evaluator,
            self._notes,
            bases,
            effort=effort,
            seed=seed,
            moving=moving,
            is_over=is_over,
        )


def _least_candidates(n_notes: int, *, is_timed: bool) -> float:
    """Say how many candidates make fits worth their time; each one plays all notes."""
    if not is_timed:
        return LEAST_COUNTED
    return LEAST_TIMED * (1.0 + OTHER_NOTE_SHARE * (n_notes - 1)) / n_notes
