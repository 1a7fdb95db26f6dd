"""Plain patches: of two patches that sound the same, the plainer one is right.

A search in many dimensions leaves every part a little away from neutral. Here the parts are set
back, least important first, as long as the loss stays within an allowance that no ear would
notice; what then does nothing is put to its neutral value. Each part is tried by itself, then the
least important ones together: 2, 4, 8 ..., which takes a quarter of the candidates that one at a
time would.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.parts import used_parameters
from matcher.search.oscillator_order import with_oscillator_1_first
from matcher.voice_map import LEVELS, SWITCHES, off_value
from shared import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

    from matcher.problem import Problem
    from shared import FloatArray, Parameter

__all__ = [
    "ALLOWANCE_RATIO",
    "ALLOWANCE_STEPS",
    "parts_off",
    "plain_limit",
    "plain_vector",
    "tidy",
]

# By how much a plainer patch may be worse before the rest is fitted again: a share of the loss,
# and something besides for losses near 0. A loss counts just-noticeable differences, and both
# together stay far below one.
ALLOWANCE_RATIO = 0.03
ALLOWANCE_STEPS = 0.05

# What both oscillators may do for each other: one of two bends alone shifts how they beat.
_PAIRS = tuple(
    (f"osc1.{name}", f"osc2.{name}")
    for name in ("pitch_env.depth_cents", "vibrato.depth_cents", "pwm.depth_ratio")
)


def plain_vector(
    problem: Problem,
    vector: FloatArray,
    loss: float,
    losses: Callable[[FloatArray], FloatArray],
    *,
    n_evaluations: int,
) -> FloatArray:
    """Set parts back to neutral that make no audible difference.

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
    np.ndarray, shape=(n_dimensions,)
        The plainer candidate, worse by the allowance at most.
    """
    limit = plain_limit(loss)
    plain = vector.copy()
    while True:
        trials = _trials(problem, plain)
        if not len(trials) or len(trials) > n_evaluations:
            return plain
        scored = losses(trials)
        n_evaluations -= len(trials)
        order = np.argsort(scored, kind="stable")
        if not scored[order[0]] <= limit:
            return plain
        together = _together(problem, plain, trials[order][scored[order] <= limit])
        plain = trials[order[0]]
        if 0 < len(together) <= n_evaluations:
            n_evaluations -= len(together)
            within = np.flatnonzero(losses(together) <= limit)
            plain = together[within[-1]] if len(within) else plain


def plain_limit(loss: float) -> float:
    """Say up to which loss a plainer patch may take the place of one with this loss."""
    return loss * (1.0 + ALLOWANCE_RATIO) + ALLOWANCE_STEPS


def parts_off(problem: Problem, vector: FloatArray, switches: Collection[str]) -> FloatArray:
    """Switch parts off, each by itself, and what both oscillators do as a pair.

    Parameters
    ----------
    problem : Problem
        What vectors mean.
    vector : np.ndarray, shape=(n_dimensions,)
        A candidate.
    switches : collection of str
        Which of `SWITCHES`.

    Returns
    -------
    np.ndarray, shape=(n_trials, n_dimensions), dtype=float64
        One row for each part that is on, and then for each pair.
    """
    rows = []
    for i, parameter in enumerate(problem.space):
        if parameter.name not in switches or not _has_rest(parameter):
            continue
        if vector[i] != parameter.encode(off_value(parameter)):
            row = vector.copy()
            row[i] = parameter.encode(off_value(parameter))
            rows.append(row)
    rows += _pairs_off(problem, vector)
    return np.array(rows).reshape(len(rows), problem.n_dimensions)


def tidy(problem: Problem, vector: FloatArray) -> FloatArray:
    """Put parameters that do nothing to their neutral values.

    Parameters
    ----------
    problem : Problem
        What vectors mean.
    vector : np.ndarray, shape=(n_dimensions,)
        A candidate.

    Returns
    -------
    np.ndarray, shape=(n_dimensions,)
        A candidate that sounds the same.
    """
    values = dict(zip(CATALOGUE.names, problem.values(vector[None, :])[0].tolist(), strict=True))
    used = used_parameters(values)
    kept_by_links = {source for name, source in problem.structure.links.items() if name in used}
    tidied = vector.copy()
    for i, parameter in enumerate(problem.space):
        if parameter.name in used or parameter.name in kept_by_links:
            continue
        rest = off_value(parameter)
        tidied[i] = parameter.encode(float(np.clip(rest, parameter.low, parameter.high)))
    return _with_full_level(problem, tidied)


def moving_columns(
    problem: Problem, vector: FloatArray
) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """List the entries of a vector that do something in it; phases always do.

    Parameters
    ----------
    problem : Problem
        What vectors mean.
    vector : np.ndarray, shape=(n_dimensions,)
        A candidate.

    Returns
    -------
    np.ndarray of int, shape=(n_moving,)
        Places in the vector, in order.
    """
    values = dict(zip(CATALOGUE.names, problem.values(vector[None, :])[0].tolist(), strict=True))
    used = used_parameters(values)
    linked = {source for name, source in problem.structure.links.items() if name in used}
    mask = np.ones(problem.n_dimensions, dtype=np.bool_)
    mask[: len(problem.space)] = [n in used or n in linked for n in problem.space.names]
    return np.flatnonzero(mask)


def _with_full_level(problem: Problem, vector: FloatArray) -> FloatArray:
    """Scale all levels so that the loudest is 1; absolute level is never searched.

    Only where that changes nothing else: all levels have to be free and without steps, which
    would shift the balance, and nothing may saturate.
    """
    names = (*LEVELS, "noise.level")
    values = dict(zip(CATALOGUE.names, problem.values(vector[None, :])[0].tolist(), strict=True))
    sounding = [name for name in names if values[name] > 0.0]
    loudest = max(values[name] for name in sounding)
    is_free = all(name in problem.space and _is_smooth(problem, name) for name in sounding)
    if not is_free or values["filter.drive_db"] > 0.0 or loudest >= 1.0:
        return vector
    scaled = vector.copy()
    for name in sounding:
        parameter = problem.space[name]
        level = min(values[name] / loudest, parameter.high)
        scaled[problem.space.index(name)] = parameter.encode(level)
    return scaled


def _is_smooth(problem: Problem, name: str) -> bool:
    """Whether a control stops anywhere."""
    return not problem.space[name].choices and problem.space[name].step is None


def _trials(problem: Problem, vector: FloatArray) -> FloatArray:
    """Candidates with one more part switched off each, shape (n_trials, n_dimensions)."""
    switches = set(SWITCHES)
    sounding = [
        name
        for name, place in zip(problem.space.names, vector, strict=False)
        if name in LEVELS and place > 0.0
    ]
    can_fall_silent = any(problem.base[name] > 0.0 for name in LEVELS if name not in problem.space)
    if len(sounding) == 1 and not can_fall_silent:
        switches -= {*sounding}
    rows = parts_off(problem, vector, switches)
    swapped = with_oscillator_1_first(problem, vector)
    return rows if swapped is None else np.concatenate([rows, swapped[None]])


def _has_rest(parameter: Parameter) -> bool:
    """Whether that value is within the range."""
    return bool(parameter.low <= off_value(parameter) <= parameter.high)


def _pairs_off(problem: Problem, vector: FloatArray) -> list[FloatArray]:
    """Switch off what both oscillators do, where neither is at rest."""
    rows = []
    for pair in _PAIRS:
        if not all(name in problem.space for name in pair):
            continue
        columns = [problem.space.index(name) for name in pair]
        places = [problem.space[name].encode(problem.space[name].neutral) for name in pair]
        if np.all(vector[columns] != places):
            row = vector.copy()
            row[columns] = places
            rows.append(row)
    return rows


def _together(problem: Problem, vector: FloatArray, trials: FloatArray) -> FloatArray:
    """Switch off the first 2, 4, 8 ... of some trials together, and all of them.

    Only one waveform falls silent at a time, so that something goes on sounding, and oscillators
    don't change places meanwhile.
    """
    is_level = np.array([name in LEVELS for name in problem.space.names])
    row, rows, n_levels = vector.copy(), [], 0
    for trial in trials:
        changed = trial != vector
        n_of_levels = int(np.count_nonzero(changed[: len(is_level)] & is_level))
        if n_of_levels > 1 or n_levels + n_of_levels > 1:
            continue
        n_levels += n_of_levels
        row[changed] = trial[changed]
        rows.append(row.copy())
    counts = sorted({2**k for k in range(1, len(rows).bit_length())} | {len(rows)})
    joined = [rows[count - 1] for count in counts if count > 1]
    return np.array(joined).reshape(len(joined), problem.n_dimensions)
