"""Where a search begins: what was measured on the notes, and some places besides."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from matcher.target import first_values
from matcher.voice_map import ROWS

if TYPE_CHECKING:
    from matcher.problem import Problem
    from matcher.target import Target
    from shared import FloatArray

__all__ = ["start_vectors", "sweep_vectors"]

SECOND_SAW = 0.8


def start_vectors(problem: Problem, target: Target) -> FloatArray:
    """Make candidates to begin with.

    Parameters
    ----------
    problem : Problem
        What is searched.
    target : Target
        The notes.

    Returns
    -------
    np.ndarray, shape=(n_starts, n_dimensions), dtype=float64
        First the values read off the notes (medians over them), then the neutral voice with
        just the envelopes of the notes.
    """
    measured = [first_values(note) for note in target.notes]
    names = sorted({name for values in measured for name in values})
    typical = {
        name: float(np.median([values[name] for values in measured if name in values]))
        for name in names
    }
    # The plain patch has two sawtooths; the search decides whether the second one stays.
    typical = {"osc2.saw_level": SECOND_SAW, **typical}
    envelope = {name: value for name, value in typical.items() if name.startswith("amp_env")}
    return np.stack([problem.vector(typical), problem.vector(envelope)])


def sweep_vectors(problem: Problem, base: FloatArray, n_vectors: int, *, seed: int) -> FloatArray:
    """Spread candidates over the voice, around the envelope and the pitch that were measured.

    Parameters
    ----------
    problem : Problem
        What is searched.
    base : np.ndarray, shape=(n_dimensions,)
        What stands where the sweep changes nothing.
    n_vectors : int >= 1
        How many; a power of two spreads them best.
    seed : int >= 0
        Seed of the scrambled Sobol' sequence.

    Returns
    -------
    np.ndarray, shape=(n_vectors, n_dimensions), dtype=float64
        Candidates; as many copies of the base if the structure has nothing to sweep.
    """
    from scipy.stats import qmc  # noqa: PLC0415  imported when first used

    swept = {name: known.sweep for name, known in ROWS.items() if known.sweep}
    names = [name for name in swept if name in problem.space]
    rows = np.tile(base, (n_vectors, 1))
    if not names:
        return rows
    exponent = math.ceil(math.log2(n_vectors))
    spread = qmc.Sobol(len(names), rng=np.random.default_rng(seed)).random_base2(exponent)
    for name, shares in zip(names, spread[:n_vectors].T, strict=True):
        parameter = problem.space[name]
        ends = np.clip(swept[name], parameter.low, parameter.high)
        low, high = (parameter.encode(float(end)) for end in ends)
        rows[:, problem.space.index(name)] = low + (high - low) * shares
    columns = [problem.space.index(name) for name in names]
    units = rows[:, : len(problem.space)]
    # There and back again: steps and choices stand in the middle of their cells.
    rows[:, columns] = problem.space.encode(problem.space.decode(units))[:, columns]
    return rows
