"""Pruning: of two patches that sound the same, the plainer one is right.

A search in many dimensions leaves every part a little away from neutral. Here the parts are set
back, least important first, as long as the loss stays within an allowance that no ear would
notice; what then does nothing is put to its neutral value. On a panel with steps, no neighbouring
position may then be better. Of two oscillators, the one that sounds alone is oscillator 1.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from matcher.optimise import LocalFits
from matcher.parts import used_parameters
from matcher.problem import whole_vectors
from matcher.voice_map import LEVELS, OSCILLATORS, SWITCHES, names_where, off_value
from shared import PHASE_NAMES

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence

    from matcher.problem import Problem
    from matcher.search.recorder import Recorder
    from shared import Float32Array, FloatArray, Parameter
    from shared.types import IntArray

    Measure = Callable[[FloatArray], tuple[FloatArray, Float32Array]]

__all__ = [
    "ALLOWANCE_RATIO",
    "ALLOWANCE_STEPS",
    "Pruning",
    "kept_off",
    "moving_columns",
    "parts_off",
    "plain_after_fits",
    "plain_limit",
    "plain_vector",
    "settle_on_steps",
    "switched_off",
    "tidy",
    "with_oscillator_1_first",
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
# Switching parts off takes some five rounds of thirty candidates, and fits without doubtful ones
# a few hundred; both together get no more than these, or such a share of what is left.
PLAIN_EVALUATIONS, FITS_SHARE = 1200, 0.4
# So many of the single steps, those that cost least, are also tried two at a time.
N_PAIRED = 14
_Move = tuple[int, float]
_OTHER = str.maketrans("12", "21")


class Pruning:
    """Tries of one step, which can be taken again from its beginning.

    Which candidates are tried depends on the losses only, so after an interruption the step is
    taken again, with the losses that the record already has from `first_row` on.
    """

    def __init__(
        self,
        recorder: Recorder,
        first_row: int,
        *,
        n_most: int | None = None,
        after_batch: Callable[[], None],
    ) -> None:
        self._recorder = recorder
        self._after_batch = after_batch
        self._first_row = self._n_replayed = first_row
        self._n_left = min(PLAIN_EVALUATIONS, n_most or PLAIN_EVALUATIONS)
        if recorder.evals is not None:
            self._n_left = int(recorder.evals - first_row - recorder.record.n_apart)

    def take(self) -> tuple[FloatArray, float]:
        """Take the step; return the plain candidate and its loss."""
        record, problem = self._recorder.record, self._recorder.evaluator.problem
        losses = record.losses[: self._first_row]
        loss = float(np.min(losses))
        best = np.array(record.candidates[int(np.argmin(losses))])
        # One is kept for the plain patch itself.
        plain = plain_vector(problem, best, loss, self._score, n_evaluations=self._left - 1)
        weights = self._recorder.evaluator.residual_weights
        n_fits = round(FITS_SHARE * (self._left - 1))
        plain = plain_after_fits(
            problem, plain, plain_limit(loss), self._measure, weights, n_evaluations=n_fits
        )
        plain = tidy(problem, plain)
        if self._left > 0:
            loss = float(self._score(plain[None, :])[0])
        if problem.structure.controls and self._left > 0:
            # The phases want their share: the refit has the other half.
            n_settling = self._left // 2
            plain, loss = settle_on_steps(
                problem, plain, loss, self._score, n_evaluations=n_settling
            )
        return plain, loss

    @property
    def _left(self) -> int:
        """How many candidates are left."""
        return self._n_left - (self._n_replayed - self._first_row)

    def _score(self, vectors: FloatArray) -> FloatArray:
        """Score vectors, or find their losses in the record if it has them already."""
        first, last = self._n_replayed, self._n_replayed + len(vectors)
        self._n_replayed = last
        if last <= len(self._recorder.record):
            return np.array(self._recorder.record.losses[first:last])
        losses = self._recorder.score(vectors)
        self._after_batch()
        return losses

    def _measure(self, vectors: FloatArray) -> tuple[FloatArray, Float32Array]:
        """Score vectors with their single differences, which no record has."""
        self._n_replayed += len(vectors)
        losses, scores, residuals = self._recorder.measure_residuals(vectors)
        if self._n_replayed > len(self._recorder.record):
            self._recorder.add(vectors, losses, scores)
            self._after_batch()
        return losses, residuals


def plain_vector(
    problem: Problem,
    vector: FloatArray,
    loss: float,
    losses: Callable[[FloatArray], FloatArray],
    *,
    n_evaluations: int,
    only: Collection[str] | None = None,
) -> FloatArray:
    """Set parts back to neutral that make no audible difference.

    Each part is tried by itself, then the least important ones together: 2, 4, 8 ..., which takes
    a quarter of the candidates that one at a time would; `n_evaluations` at most. Parts with a
    switch among `only`, all if left out.
    """
    limit = plain_limit(loss)
    plain = vector.copy()
    while True:
        trials = _trials(problem, plain, only)
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


def parts_off(
    problem: Problem, vector: FloatArray, switches: Collection[str], *, has_pairs: bool = True
) -> FloatArray:
    """Switch parts off that are on: one row for each of `switches`, then for each pair."""
    rows = []
    for i, parameter in enumerate(problem.space):
        if parameter.name not in switches or not _has_rest(parameter):
            continue
        if vector[i] != parameter.encode(off_value(parameter)):
            row = vector.copy()
            row[i] = parameter.encode(off_value(parameter))
            rows.append(row)
    rows += _pairs_off(problem, vector) if has_pairs else []
    return np.array(rows).reshape(len(rows), problem.n_dimensions)


def kept_off(
    problem: Problem,
    before: FloatArray,
    vector: FloatArray,
    loss: float,
    losses: Callable[[FloatArray], FloatArray],
    *,
    n_evaluations: int,
) -> FloatArray:
    """Switch off again what was off before, unless it is heard; what does nothing is as it was."""
    off = switched_off(problem, before)
    plain = plain_vector(problem, vector, loss, losses, n_evaluations=n_evaluations, only=off)
    idle = np.ones(problem.n_dimensions, dtype=np.bool_)
    for row in (before, plain):
        idle[moving_columns(problem, row)] = False
    return np.where(idle, before, plain)


def switched_off(problem: Problem, vector: FloatArray) -> set[str]:
    """Name the parts that could be on, and are off."""
    return {
        parameter.name
        for place, parameter in zip(vector, problem.space, strict=False)
        if parameter.name in SWITCHES
        and _has_rest(parameter)
        and place == parameter.encode(off_value(parameter))
    }


def tidy(problem: Problem, vector: FloatArray) -> FloatArray:
    """Put parameters that do nothing to their neutral values; the sound stays the same."""
    values = problem.named_values(vector)
    used = used_parameters(values)
    kept_by_links = {source for name, source in problem.structure.links.items() if name in used}
    tidied = vector.copy()
    for i, parameter in enumerate(problem.space):
        if parameter.name in used or parameter.name in kept_by_links:
            continue
        rest = off_value(parameter)
        tidied[i] = parameter.encode(float(np.clip(rest, parameter.low, parameter.high)))
    return _with_full_level(problem, tidied)


def moving_columns(problem: Problem, vector: FloatArray) -> IntArray:
    """List the entries of a vector that do something in it; phases always do."""
    values = problem.named_values(vector)
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
    values = problem.named_values(vector)
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


def _trials(
    problem: Problem, vector: FloatArray, only: Collection[str] | None = None
) -> FloatArray:
    """Candidates with one more part switched off each, shape (n_trials, n_dimensions)."""
    switches = set(SWITCHES if only is None else only)
    sounding = [
        name
        for name, place in zip(problem.space.names, vector, strict=False)
        if name in LEVELS and place > 0.0
    ]
    can_fall_silent = any(problem.base[name] > 0.0 for name in LEVELS if name not in problem.space)
    if len(sounding) == 1 and not can_fall_silent:
        switches -= {*sounding}
    rows = parts_off(problem, vector, switches, has_pairs=only is None)
    swapped = None if only is not None else with_oscillator_1_first(problem, vector)
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


def plain_after_fits(
    problem: Problem,
    vector: FloatArray,
    limit: float,
    measure: Measure,
    weights: Float32Array,
    *,
    n_evaluations: int,
) -> FloatArray:
    """Switch off parts that aren't missed once the rest was fitted again.

    Near the bottom of a valley a small bend of one oscillator may stand in for a few hundredths of
    a cycle of the other one. Switched off by itself it is missed; with the rest fitted it isn't.
    That costs slopes, so it is asked only of parts that often stand in for others. `limit` is the
    loss without them at most; `measure` and `weights` are those of `LocalFits`.
    """
    while len(off := parts_off(problem, vector, names_where("stands_in"))):
        # What is at rest stays at rest.
        columns = moving_columns(problem, vector)
        fits = LocalFits(
            partial(_measure_moving, measure, vector, columns),
            weights,
            circular=problem.circular[columns],
            cells=problem.cells[columns],
            n_evaluations=n_evaluations,
        )
        plainer = fits.best_within(vector[columns], off[:, columns], limit)
        if plainer is None:
            break
        vector, n_evaluations = whole_vectors(vector, columns, plainer[None])[0], fits.n_left
    return vector


def _measure_moving(
    measure: Measure, base: FloatArray, columns: IntArray, rows: FloatArray
) -> tuple[FloatArray, Float32Array]:
    """Measure what the moving entries make of a whole vector."""
    return measure(whole_vectors(base, columns, rows))


def settle_on_steps(
    problem: Problem,
    vector: FloatArray,
    loss: float,
    losses: Callable[[FloatArray], FloatArray],
    *,
    n_evaluations: int,
) -> tuple[FloatArray, float]:
    """Move stepped controls by one step as long as that comes closer; return vector and loss.

    A search in small steps ends in a cell that it never looked beyond, and two controls that make
    up for each other have to move together. So every step up and down is tried, and the cheapest
    ones in pairs, until none comes closer. Parts at rest stay at rest.
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


def with_oscillator_1_first(problem: Problem, vector: FloatArray) -> FloatArray | None:
    """Let oscillator 1 do what oscillator 2 does alone; None if it doesn't, or if it can't.

    Of two patches that sound the same, the one with one oscillator, in tune with itself, is read
    more easily. Only where each parameter of one oscillator is searched in the other, too.
    """
    values = problem.named_values(vector)
    levels = {osc: [values[n] for n in LEVELS if n.startswith(osc)] for osc in OSCILLATORS}
    if any(levels["osc1"]) or not any(levels["osc2"]):
        return None
    names = problem.space.names
    pairs = [(n, n.replace("osc2.", "osc1.")) for n in names if n.startswith("osc2.")]
    pairs = [(n, other) for n, other in pairs if n != "osc2.detune_cents"]
    tune = values["tune_cents"] + values["osc2.detune_cents"]
    is_equal = all(other in problem.space and _is_alike(problem, n, other) for n, other in pairs)
    has_tune = "tune_cents" in problem.space and "osc2.detune_cents" in problem.space
    if not is_equal or not has_tune or problem.structure.links:
        return None
    parameter = problem.space["tune_cents"]
    if not parameter.low <= tune <= parameter.high:
        return None
    swapped = vector.copy()
    for n, other in pairs:
        i, j = problem.space.index(n), problem.space.index(other)
        swapped[i], swapped[j] = vector[j], vector[i]
    swapped[problem.space.index("tune_cents")] = parameter.encode(tune)
    swapped[problem.space.index("osc2.detune_cents")] = problem.space["osc2.detune_cents"].encode(
        0.0
    )
    _swap_phases(problem, vector, swapped)
    return swapped


def _swap_phases(problem: Problem, vector: FloatArray, swapped: FloatArray) -> None:
    """Let each note begin where it did: LFOs change places, oscillator 1 takes the phase of 2."""
    names = [PHASE_NAMES[column] for column in problem.phase_columns]
    for i_note in range(problem.n_notes):
        first = len(problem.space) + i_note * len(names)
        for i, name in enumerate(names):
            part = name[:5].translate(_OTHER) + name[5:]
            if name != "osc1.phase" and part in names:
                swapped[first + i] = vector[first + names.index(part)]
        if "osc1.phase" in names:
            starts = problem.phases(vector[None, :], i_note)[0]
            place = starts[PHASE_NAMES.index("osc2.phase")]
            swapped[first + names.index("osc1.phase")] = place


def _is_alike(problem: Problem, name: str, other: str) -> bool:
    """Whether two parameters mean the same at the same place of their ranges."""
    a, b = problem.space[name], problem.space[other]
    return (a.low, a.high, a.step, a.choices) == (b.low, b.high, b.step, b.choices)
