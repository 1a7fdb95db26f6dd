"""Settling on the steps of a panel: no neighbouring position may be better.

A search in small steps ends in a cell that it never looked beyond, and two controls that make up
for each other have to move together. So the last thing is to try every step up and down, and the
most promising ones in pairs, until none of them comes closer. Parts at rest stay at rest.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.search.plain import moving_columns

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matcher.problem import Problem
    from shared import FloatArray

__all__ = ["settle_on_steps"]

# So many of the single steps, those that cost least, are also tried two at a time.
N_PAIRED = 14
_Move = tuple[int, float]


def settle_on_steps(
    problem: Problem,
    vector: FloatArray,
    loss: float,
    losses: Callable[[FloatArray], FloatArray],
    *,
    n_evaluations: int,
) -> tuple[FloatArray, float]:
    """Move stepped controls by one step as long as that comes closer.

    Parameters
    ----------
    problem : Problem
        What vectors mean.
    vector : np.ndarray, shape=(n_dimensions,)
        The best candidate.
    loss : float
        Its loss.
    losses : callable
        Scores candidates, shape (n_candidates, n_dimensions) to (n_candidates,).
    n_evaluations : int
        How many candidates may be scored.

    Returns
    -------
    vector : np.ndarray, shape=(n_dimensions,)
        A candidate that is as good or better; all its neighbours that could be tried are worse.
    loss : float
        Its loss.
    """
    best = vector.copy()
    while True:
        moves = _moves(problem, best)
        if not moves or len(moves) > n_evaluations:
            return best, loss
        singles = losses(_moved(best, [(move,) for move in moves]))
        n_evaluations -= len(moves)
        cheapest = [moves[i] for i in np.argsort(singles, kind="stable")[:N_PAIRED]]
        if singles.min() < loss:
            best, loss = _moved(best, [cheapest[:1]])[0], float(singles.min())
            continue
        pairs = [
            (one, other)
            for i, one in enumerate(cheapest)
            for other in cheapest[i + 1 :]
            if one[0] != other[0]
        ]
        if not pairs or len(pairs) > n_evaluations:
            return best, loss
        doubles = losses(_moved(best, pairs))
        n_evaluations -= len(pairs)
        if not doubles.min() < loss:
            return best, loss
        best = _moved(best, [pairs[int(np.argmin(doubles))]])[0]
        loss = float(doubles.min())


def _moves(problem: Problem, vector: FloatArray) -> list[_Move]:
    """List the single steps: the entry of the vector, and the middle of the cell next door."""
    moves = []
    for column in moving_columns(problem, vector):
        n_cells = int(problem.cells[column])
        if n_cells < 2:
            continue
        cell = min(int(vector[column] * n_cells), n_cells - 1)
        moves += [
            (int(column), (neighbour + 0.5) / n_cells)
            for neighbour in (cell - 1, cell + 1)
            if 0 <= neighbour < n_cells
        ]
    return moves


def _moved(vector: FloatArray, changes: Sequence[Sequence[_Move]]) -> FloatArray:
    """Make a candidate for each set of moves, shape (n_changes, n_dimensions)."""
    rows = np.tile(vector, (len(changes), 1))
    for row, moves in zip(rows, changes, strict=True):
        for column, place in moves:
            row[column] = place
    return rows
