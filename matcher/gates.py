"""Gates that fit: when a key was let go is estimated by ear, and corrected by the voice.

The level tells to some 50 ms when a release began; a patch that fits tells it better. Only gates
that were estimated are corrected, never those that the user gave.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.evaluator import Evaluator
    from shared import FloatArray

__all__ = ["fit_gates"]

# Steps in seconds, coarse to fine; the first round reaches 80 ms to either side.
ROUNDS = (0.02, 0.005)
N_STEPS = 4


def fit_gates(evaluator: Evaluator, vector: FloatArray, is_estimated: Sequence[bool]) -> int:
    """Correct the evaluator's gates for one candidate.

    Parameters
    ----------
    evaluator : Evaluator
        Its notes get the gates with which the candidate comes closest.
    vector : np.ndarray, shape=(n_dimensions,)
        The candidate.
    is_estimated : sequence of bool
        For each note, whether its gate may be corrected.

    Returns
    -------
    int
        How many times the candidate was evaluated.
    """
    n_evaluations = 0
    for i, may_change in enumerate(is_estimated):
        for step_s in ROUNDS if may_change else ():
            gates = [note.gate_s for note in evaluator.notes]
            trials = gates[i] + step_s * np.arange(-N_STEPS, N_STEPS + 1)
            trials = trials[trials > 0.0]
            best = gates[i]
            try:
                losses = [_loss(evaluator, vector, gates, i, float(trial)) for trial in trials]
                best = float(trials[int(np.argmin(losses))])
            finally:  # also when Ctrl-C comes in between
                evaluator.set_gates([*gates[:i], best, *gates[i + 1 :]])
            n_evaluations += len(trials)
    return n_evaluations


def _loss(
    evaluator: Evaluator, vector: FloatArray, gates: list[float], i: int, trial_s: float
) -> float:
    """Loss of the candidate with the gate of note `i` exchanged."""
    evaluator.set_gates([*gates[:i], trial_s, *gates[i + 1 :]])
    return float(evaluator.losses(vector[None, :])[0])
