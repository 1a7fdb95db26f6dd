"""What is fitted first after a jump: the part that was changed, and what trades with it.

A search that has made a change (a vibrato switched on) asks whether it was right long before it
has fitted everything else again. Some twenty parameters answer that: those of the part itself,
and those that any change of the sound moves (levels, brightness, how the oscillators beat).
Common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.voice_map import OSCILLATORS, PHASE_DEPTHS, coupled_names, names_where, voice_row
from shared import PHASE_NAMES

if TYPE_CHECKING:
    import numpy.typing as npt

    from matcher.problem import Problem
    from shared import FloatArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = ["coarse_entries", "companions", "families_of"]


def coarse_entries(problem: Problem) -> BoolArray:
    """Say what moves in the first steps from many starts.

    Parameters
    ----------
    problem : Problem
        What vectors mean.

    Returns
    -------
    np.ndarray of bool, shape=(n_dimensions,)
        All but what moves with time, and front edges.
    """
    fine = names_where("is_fine")
    phases = (PHASE_DEPTHS[PHASE_NAMES[column]] for column in problem.phase_columns)
    coarse = [*(name not in fine for name in problem.space.names)]
    coarse += [fine.isdisjoint(depths) for depths in phases]
    n = len(problem.space)
    entries = np.array([*coarse[:n], *(coarse[n:] * problem.n_notes)], bool)
    # Where movement is most of what is searched, it is what tells.
    return entries if 2 * np.count_nonzero(entries) > len(entries) else np.ones_like(entries)


def companions(problem: Problem, changed: BoolArray) -> BoolArray:
    """Say what is fitted first after some entries of a vector were changed.

    Parameters
    ----------
    problem : Problem
        What vectors mean.
    changed : np.ndarray of bool, shape=(n_rows, n_dimensions)
        What each jump changes.

    Returns
    -------
    np.ndarray of bool, shape=(n_rows, n_dimensions)
        What was changed, and its companions.
    """
    n = len(problem.space)
    names = np.array(problem.space.names)
    phase_parts = [PHASE_NAMES[column].removesuffix(".phase") for column in problem.phase_columns]
    # Hundreds of jumps touch the same few parts.
    known: dict[frozenset[str], BoolArray] = {}
    masks = np.zeros(changed.shape, bool)
    for i, entries in enumerate(changed):
        touched = names[entries[:n]].tolist()
        parts = frozenset(voice_row(name).part for name in touched)
        if parts not in known:
            fitted = names_where("is_always_fitted").union(*map(coupled_names, touched))
            moving = [part in {*parts, *OSCILLATORS} for part in phase_parts]
            known[parts] = np.array([*np.isin(names, [*fitted]), *(moving * problem.n_notes)])
        masks[i] = known[parts]
    return masks | changed


def families_of(problem: Problem, rows: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Give jumps that make the same change the same number.

    Parameters
    ----------
    problem : Problem
        What vectors mean.
    rows : np.ndarray, shape=(n_jumps, n_dimensions)
        Jumps; NaN where they change nothing.

    Returns
    -------
    np.ndarray of int, shape=(n_jumps,)
        The same number for jumps that differ in phases only.
    """
    kinds = rows[:, : len(problem.space)]
    known: dict[bytes, int] = {}
    numbers = [known.setdefault(kind.tobytes(), len(known)) for kind in kinds]
    return np.array(numbers, dtype=np.int64)
