"""Gates that fit: when a key was let go is estimated by ear, and corrected by the voice.

From the level it is known to some 50 ms when a release began; from a patch that fits, better.
Only gates that were estimated are corrected, never those that the user gave.

A patch that was fitted with a wrong gate has bent its envelopes to it (with a key let go 50 ms too
late, a release that is too quick and a decay that never ends), so that no other gate suits it any
more. While a patch is still searched, its envelopes are fitted again for each gate that is tried.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import totals
from matcher.optimise import LocalFits
from matcher.problem import whole_vectors
from matcher.voice_map import names_where

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.evaluator import Evaluator
    from matcher.problem import Problem
    from shared import Float32Array, FloatArray
    from shared.types import IntArray

__all__ = ["fit_gates", "fit_gates_and_envelopes"]

# Steps in seconds, coarse to fine; the first round reaches 0.3 s to either side, as a quick decay
# is sometimes taken for the release.
ROUNDS = (0.08, 0.02, 0.005)
N_STEPS = 4
# Where envelopes are fitted as well, each round goes on in the direction that pays, up to so many
# gates in all; at each of them so many steps are taken. The first steps are wide, as the beats of
# strings may be taken for a release half a second early.
FITTED_ROUNDS = (0.1, 0.025, 0.008, 0.0025)
# So many of them are left out where gates were fitted before.
N_FAR = 2
MOST_GATES, STEPS_AT_EACH = 16, 1


def fit_gates(
    evaluator: Evaluator,
    vector: FloatArray,
    is_estimated: Sequence[bool],
    *,
    n_most: float = np.inf,
) -> None:
    """Correct the evaluator's gates for one candidate that stays as it is.

    Only notes of which `is_estimated` is true, each by itself, with `n_most` candidates at most.
    """
    last = evaluator.n_rendered + n_most
    for i, may_change in enumerate(is_estimated):
        for step_s in ROUNDS if may_change else ():
            gates = [note.gate_s for note in evaluator.notes]
            trials = gates[i] + step_s * np.arange(-N_STEPS, N_STEPS + 1)
            trials = trials[trials > 0.0]
            if evaluator.n_rendered + len(trials) * evaluator.shares[i] > last:
                return
            best = gates[i]
            try:
                losses = [_loss(evaluator, vector, gates, i, float(trial)) for trial in trials]
                best = float(trials[int(np.argmin(losses))])
            finally:  # also when Ctrl-C comes in between
                evaluator.set_gates([*gates[:i], best, *gates[i + 1 :]])


def fit_gates_and_envelopes(
    evaluator: Evaluator,
    vector: FloatArray,
    is_estimated: Sequence[bool],
    *,
    is_near: bool = False,
    n_most: float = np.inf,
) -> FloatArray:
    """Correct the evaluator's gates, and fit the envelopes of a candidate to them.

    Gates are moved together, as what is taken for a release is off by as much in notes of one
    instrument; then each by itself, with the envelopes as they are. `is_near` leaves the first
    rounds out, where gates were fitted before. The result is never further away than before; it
    takes `n_most` candidates at most.
    """
    if not any(is_estimated):
        return vector
    last = evaluator.n_rendered + n_most
    search = _GateSearch(evaluator, vector, is_estimated, last)
    try:
        search.improves(0.0)
        for step_s in FITTED_ROUNDS[N_FAR * is_near :]:
            for signed_s in (-step_s, step_s):
                is_better = False
                while search.improves(signed_s):
                    is_better = True
                if is_better:
                    break
    finally:  # also when Ctrl-C comes in between
        search.settle()
    if len(is_estimated) > 1 or not len(search.columns):
        fit_gates(evaluator, search.found, is_estimated, n_most=last - evaluator.n_rendered)
    return search.found


class _GateSearch:
    """Estimated gates moved together, step by step, with the envelopes fitted at each place."""

    def __init__(
        self,
        evaluator: Evaluator,
        vector: FloatArray,
        is_estimated: Sequence[bool],
        last: float,
    ) -> None:
        self.found = vector
        self.columns = _bent_columns(evaluator.problem)
        self._evaluator = evaluator
        self._gates_s = np.array([note.gate_s for note in evaluator.notes])
        self._moving = np.array(is_estimated, dtype=np.float64)
        self._shift_s, self._n_tried = 0.0, 0
        # What a trial costs is known from the one before; of the first one it is a guess.
        self._last, self._cost = last, 2.0 * len(self.columns)
        self._loss = float(evaluator.losses(vector[None, :])[0])

    def improves(self, step_s: float) -> bool:
        """Try gates that are longer by a step; whether that comes closer."""
        shift_s = self._shift_s + step_s
        gates_s = self._gates_s + shift_s * self._moving
        if self._n_tried == MOST_GATES or not len(self.columns) or np.any(gates_s <= 0.0):
            return False
        before = self._evaluator.n_rendered
        if before + self._cost > self._last:
            return False
        self._n_tried += 1
        self._evaluator.set_gates(gates_s.tolist())
        fitted, loss = self._fitted()
        self._cost = self._evaluator.n_rendered - before
        if not loss < self._loss:
            return False
        self.found, self._shift_s, self._loss = fitted, shift_s, loss
        return True

    def settle(self) -> None:
        """Give the evaluator the best gates."""
        self._evaluator.set_gates((self._gates_s + self._shift_s * self._moving).tolist())

    def _fitted(self) -> tuple[FloatArray, float]:
        """Take some steps with the gates as they are: candidate and loss."""
        problem = self._evaluator.problem
        fits = LocalFits(
            self._measure,
            self._evaluator.residual_weights,
            circular=problem.circular[self.columns],
            cells=problem.cells[self.columns],
        )
        point, loss = fits.fitted(self.found[self.columns], STEPS_AT_EACH)
        return whole_vectors(self.found, self.columns, point[None, :])[0], loss

    def _measure(self, rows: FloatArray) -> tuple[FloatArray, Float32Array]:
        """Score what some envelopes make of the candidate."""
        vectors = whole_vectors(self.found, self.columns, rows)
        losses, _, residuals = self._evaluator.losses_and_residuals(vectors)
        return losses, residuals


def _bent_columns(problem: Problem) -> IntArray:
    """List the entries that a wrong gate bends."""
    bent = names_where("bends_with_gate")
    return np.array([i for i, name in enumerate(problem.space.names) if name in bent], np.int64)


def _loss(
    evaluator: Evaluator, vector: FloatArray, gates: list[float], i: int, trial_s: float
) -> float:
    """Loss of the candidate on note `i`, with its gate exchanged."""
    evaluator.set_gates([*gates[:i], trial_s, *gates[i + 1 :]])
    return float(totals(evaluator.scores(vector[None, :], [i])[0], evaluator.weights)[0])
