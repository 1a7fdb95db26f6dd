"""Where a search begins: what was measured on the notes, and some places besides."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.target import first_values

if TYPE_CHECKING:
    from matcher.problem import Problem
    from matcher.target import Target
    from shared import FloatArray

__all__ = ["start_vectors"]

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
