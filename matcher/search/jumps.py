"""Changes that no small step reaches: a part switched on, another waveform, another octave.

A depth near neutral hardly matters, so a search in small steps may never leave it; a jump puts
the part where it is plainly heard, and what follows scales it back. That is also how a programmer
finds out whether a sound has it (common practice, no source).
"""

from __future__ import annotations

from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

import numpy as np

from matcher.search.jump_tables import BEATS, FANS, GROUPS, JUMPS, START_VARIANTS
from shared import PHASE_NAMES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from matcher.problem import Problem
    from shared import FloatArray

__all__ = [
    "BEATS",
    "FANS",
    "GROUPS",
    "JUMPS",
    "START_VARIANTS",
    "fan_vectors",
    "jump_groups",
    "jump_vectors",
    "meet_notes",
]

GOLDEN_SECTION = 0.6180339887498949


def jump_vectors(
    problem: Problem, jumps: Sequence[Mapping[str, float]], base: FloatArray | None = None
) -> FloatArray:
    """Encode jumps as vectors.

    Parameters
    ----------
    problem : Problem
        What is searched.
    jumps : sequence of mapping of str to float
        Physical values; those beyond a range of the structure move to its end.
    base : np.ndarray, shape=(n_dimensions,), optional
        What stands where a jump changes nothing; NaN if left out.

    Returns
    -------
    np.ndarray, shape=(n_jumps, n_dimensions), dtype=float64
        One row for each jump of which the structure has every parameter, and that goes somewhere
        else than the base; one row for an empty jump, of which fans move the phase.
    """
    plain = np.full(problem.n_dimensions, np.nan) if base is None else base
    rows = []
    for jump in jumps:
        if not all(name in problem.space for name in jump):
            continue
        row = plain.copy()
        for name, value in jump.items():
            parameter = problem.space[name]
            held = min(max(value, parameter.low), parameter.high)
            row[problem.space.index(name)] = parameter.encode(held)
        if not jump or not np.array_equal(row, plain):
            rows.append(row)
    return np.array(rows).reshape(len(rows), problem.n_dimensions)


def fan_vectors(
    problem: Problem,
    jumps: Sequence[Mapping[str, float]],
    base: FloatArray,
    *,
    phase: str,
    n_phases: int,
) -> FloatArray:
    """Encode jumps with an oscillator or LFO at several places of its cycle.

    How two oscillators stand to each other when the note begins decides how they beat, and the
    valley around the right place is narrow; so it is with what an LFO moves.

    Parameters
    ----------
    problem : Problem
        What is searched.
    jumps : sequence of mapping of str to float
        As for `jump_vectors`.
    base : np.ndarray, shape=(n_dimensions,)
        What stands where a jump changes nothing.
    phase : str
        A name of `shared.PHASE_NAMES`.
    n_phases : int >= 1
        How many places around the cycle.

    Returns
    -------
    np.ndarray, shape=(n_rows, n_dimensions), dtype=float64
        Each jump at each place; no rows if that phase can't be heard. Notes begin one golden
        section of the cycle apart, as nothing ties them to each other.
    """
    rows = jump_vectors(problem, jumps, base)
    column = PHASE_NAMES.index(phase)
    if column not in problem.phase_columns or not len(rows):
        return np.empty((0, problem.n_dimensions))
    first = len(problem.space) + problem.phase_columns.index(column)
    columns = first + len(problem.phase_columns) * np.arange(problem.n_notes)
    fan = np.repeat(rows, n_phases, axis=0)
    places = np.tile(np.arange(n_phases) / n_phases, len(rows))
    fan[:, columns] = (places[:, None] + GOLDEN_SECTION * np.arange(problem.n_notes)) % 1.0
    return fan


def meet_notes(
    problem: Problem, fan: FloatArray, losses: FloatArray, *, phase: str, n_phases: int
) -> FloatArray:
    """Put the best place of each note together: notes do not know of each other's phases.

    Parameters
    ----------
    problem : Problem
        What is searched.
    fan : np.ndarray, shape=(n_jumps * n_phases, n_dimensions)
        From `fan_vectors`.
    losses : np.ndarray, shape=(n_notes, n_jumps * n_phases)
        Their losses, note by note.
    phase, n_phases
        As for `fan_vectors`.

    Returns
    -------
    np.ndarray, shape=(n_jumps, n_dimensions), dtype=float64
        Each jump once, with the phase of every note at the place that suits this note best.
    """
    column = problem.phase_columns.index(PHASE_NAMES.index(phase))
    columns = len(problem.space) + column + len(problem.phase_columns) * np.arange(problem.n_notes)
    best = np.argmin(losses.reshape(problem.n_notes, -1, n_phases), axis=2)
    places = fan.reshape(-1, n_phases, problem.n_dimensions)
    met: FloatArray = places[:, 0].copy()
    jumps = np.arange(len(met))
    for note, entry in enumerate(columns):
        met[:, entry] = places[jumps, best[note], entry]
    return met


def jump_groups(problem: Problem) -> npt.NDArray[np.bool_]:
    """Say which entries of a vector belong together, and are drawn anew together.

    Parameters
    ----------
    problem : Problem
        What is searched.

    Returns
    -------
    np.ndarray of bool, shape=(n_groups, n_dimensions)
        One row for each of `GROUPS` of which the problem has a parameter.
    """
    rows = []
    for patterns, phases in GROUPS:
        row = np.zeros(problem.n_dimensions, bool)
        for i, name in enumerate(problem.space.names):
            row[i] = any(fnmatchcase(name, pattern) for pattern in patterns)
        if not row.any():
            continue
        for i, column in enumerate(problem.phase_columns):
            first = len(problem.space) + i
            row[first :: len(problem.phase_columns)] = PHASE_NAMES[column] in phases
        rows.append(row)
    return np.array(rows, bool).reshape(len(rows), problem.n_dimensions)
