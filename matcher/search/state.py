"""What a search has found so far, for those who look on while it runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import breakdown
from shared import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.evaluator import Evaluator
    from matcher.losses import LossBreakdown
    from matcher.optimise import SearchRecord
    from shared import FloatArray
    from shared.patch import NotePhases

__all__ = ["SearchState", "describe_state"]


@dataclass(frozen=True, eq=False)
class SearchState:
    """One moment of a search.

    Parameters
    ----------
    elapsed_s : float >= 0
        Seconds since the search began.
    n_evaluations : int >= 0
        Candidates tried so far.
    seconds : float or None
        Budget in seconds.
    evals : int or None
        Budget in evaluations; one of the two is given.
    loss : LossBreakdown
        Loss of the best patch so far, mean over the notes.
    values : mapping of str to float
        Its values in physical units, all of the catalogue.
    phases : tuple of NotePhases
        Its phases, note by note.
    """

    elapsed_s: float
    n_evaluations: int
    seconds: float | None
    evals: int | None
    loss: LossBreakdown
    values: Mapping[str, float]
    phases: tuple[NotePhases, ...]


def describe_state(
    evaluator: Evaluator,
    record: SearchRecord,
    best: FloatArray,
    *,
    loss: float,
    seconds: float | None,
    evals: int | None,
) -> SearchState:
    """Describe a moment of a search.

    Parameters
    ----------
    evaluator : Evaluator
        What scores its candidates.
    record : SearchRecord
        What was tried.
    best : np.ndarray, shape=(n_dimensions,)
        The best candidate so far.
    loss : float
        Its loss, one of those in the record.
    seconds, evals
        As in `SearchState`.

    Returns
    -------
    SearchState
        The moment.
    """
    row = int(np.flatnonzero(record.losses == loss)[-1])
    values = evaluator.problem.values(best[None, :])[0]
    return SearchState(
        elapsed_s=float(record.elapsed_s[-1]),
        n_evaluations=len(record),
        seconds=seconds,
        evals=evals,
        loss=breakdown(record.terms[row], evaluator.weights),
        values=dict(zip(CATALOGUE.names, values.tolist(), strict=True)),
        phases=evaluator.problem.note_phases(best),
    )
