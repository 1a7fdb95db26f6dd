"""Pruning: of two patches that sound the same, the plainer one is right.

A search in many dimensions leaves every part a little away from rest. Here what nobody misses as
it is is set back, least important first, as long as the loss stays within an allowance that no
ear would notice; `matcher.search.ladder` goes on from there. What does nothing is put to rest.
On a panel with steps, no neighbouring position may then be better. Of two oscillators, the one
that sounds alone is oscillator 1.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.parts import used_parameters
from matcher.voice_map import LEVELS, OSCILLATORS, PHASE_DEPTHS, SWITCHES, off_value, removals
from shared import PHASE_NAMES

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence

    import numpy.typing as npt

    from matcher.problem import Problem
    from shared import FloatArray, Parameter
    from shared.types import IntArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = [
    "ALLOWANCE_RATIO",
    "ALLOWANCE_STEPS",
    "at_rest",
    "is_sounding",
    "kept_off",
    "moving_columns",
    "plain_vector",
    "settle_on_steps",
    "shorter_vectors",
    "switched_off",
    "tidy",
    "with_oscillator_1_first",
]

# By how much a plainer patch may be worse before the rest is fitted again: a share of the loss,
# and something besides for losses near 0. A loss counts just-noticeable differences, and both
# together stay far below one.
ALLOWANCE_RATIO = 0.03
ALLOWANCE_STEPS = 0.05

# So many of the single steps, those that cost least, are also tried two at a time.
N_PAIRED = 14
_Move = tuple[int, float]
_OTHER = str.maketrans("12", "21")


def plain_vector(
    problem: Problem,
    vector: FloatArray,
    loss: float,
    losses: Callable[[FloatArray], FloatArray],
    *,
    n_evaluations: int,
    only: Collection[str] | None = None,
) -> tuple[FloatArray, dict[str, float]]:
    """Set parts back to rest that make no audible difference as they are.

    Each part is tried by itself, then the least important ones together: 2, 4, 8 ..., which takes
    a quarter of the candidates that one at a time would; `n_evaluations` at most. With `only`,
    nothing else is switched off. Returns by how much the loss grows without each of the rest, by
    title, as well.
    """
    limit = _plain_limit(loss)
    plain = vector.copy()
    rises: dict[str, float] = {}
    while True:
        shorter = shorter_vectors(problem, plain, only)
        trials = np.array(list(shorter.values())).reshape(len(shorter), problem.n_dimensions)
        if not len(trials) or len(trials) > n_evaluations:
            return plain, rises
        scored = losses(trials)
        n_evaluations -= len(trials)
        rises = {title: float(x) - loss for title, x in zip(shorter, scored, strict=True)}
        order = np.argsort(scored, kind="stable")
        if not scored[order[0]] <= limit:
            return plain, rises
        together = _together(problem, plain, trials[order][scored[order] <= limit])
        plain = trials[order[0]]
        if 0 < len(together) <= n_evaluations:
            n_evaluations -= len(together)
            within = np.flatnonzero(losses(together) <= limit)
            plain = together[within[-1]] if len(within) else plain


def _plain_limit(loss: float) -> float:
    """Say up to which loss a plainer patch may take the place of one with this loss."""
    return loss * (1.0 + ALLOWANCE_RATIO) + ALLOWANCE_STEPS


def shorter_vectors(
    problem: Problem, vector: FloatArray, only: Collection[str] | None = None
) -> dict[str, FloatArray]:
    """Leave out each thing that can be left out, by its title; something goes on sounding.

    With `only`, things that consist of such switches.
    """
    found: dict[str, FloatArray] = {}
    known = {vector.tobytes()}
    for switch in removals():
        if only is not None and not set(switch.off).issubset(only):
            continue
        row = vector.copy()
        for name in switch.off:
            if name in problem.space:
                row[problem.space.index(name)] = _rest(problem.space[name])
        if not np.array_equal(row, vector):
            row = at_rest(problem, row)
        if row.tobytes() not in known and is_sounding(problem, row):
            found[switch.title] = row
            known.add(row.tobytes())
    return found


def is_sounding(problem: Problem, vector: FloatArray) -> bool:
    """Whether any waveform is left."""
    values = problem.named_values(vector)
    return any(values[name] > 0.0 for name in LEVELS)


def _rest(parameter: Parameter) -> float:
    """Return the place in [0, 1] of what switches a parameter off, or of what comes nearest."""
    return float(
        parameter.encode(float(np.clip(off_value(parameter), parameter.low, parameter.high)))
    )


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
    plain, _ = plain_vector(problem, vector, loss, losses, n_evaluations=n_evaluations, only=off)
    idle = np.ones(problem.n_dimensions, dtype=np.bool_)
    for row in (before, plain):
        idle[moving_columns(problem, row, leaves_rest=True)] = False
    return np.where(idle, before, plain)


def switched_off(problem: Problem, vector: FloatArray) -> set[str]:
    """Name the parts that could be on, and are off."""
    return {
        parameter.name
        for place, parameter in zip(vector, problem.space, strict=False)
        if parameter.name in SWITCHES and place == _rest(parameter)
    }


def tidy(problem: Problem, vector: FloatArray) -> FloatArray:
    """Put what does nothing to rest, and the loudest level to 1; the sound stays the same."""
    return _with_full_level(problem, at_rest(problem, vector))


def at_rest(problem: Problem, vector: FloatArray) -> FloatArray:
    """Put parameters that do nothing to their off values."""
    is_at_work = _at_work(problem, used_parameters(problem.named_values(vector)))
    tidied = vector.copy()
    for i, parameter in enumerate(problem.space):
        if not is_at_work[i]:
            tidied[i] = _rest(parameter)
    return tidied


def moving_columns(problem: Problem, vector: FloatArray, *, leaves_rest: bool = False) -> IntArray:
    """List the entries of a vector that do something in it, phases that are heard included.

    What is at rest stays there unless it `leaves_rest`, though it would do something elsewhere.
    """
    used = used_parameters(problem.named_values(vector))
    phases = [used.intersection(PHASE_DEPTHS[PHASE_NAMES[k]]) for k in problem.phase_columns]
    kinds = np.ones(len(problem.pulse_columns), np.bool_)
    is_heard = np.tile([bool(depths) for depths in phases], problem.n_notes)
    pairs = zip(problem.space, vector, strict=False)
    is_open = np.array([leaves_rest or place != _rest(p) for p, place in pairs], np.bool_)
    return np.flatnonzero(np.concatenate([_at_work(problem, used) & is_open, is_heard, kinds]))


def _at_work(problem: Problem, used: Collection[str]) -> BoolArray:
    """Tell which parameters of the space do something, links included."""
    linked = {source for name, source in problem.structure.links.items() if name in used}
    return np.array([n in used or n in linked for n in problem.space.names], dtype=np.bool_)


def _with_full_level(problem: Problem, vector: FloatArray) -> FloatArray:
    """Scale all levels so that the loudest is 1; absolute level is never searched.

    Only where that changes nothing else: all levels have to be free and without steps, which
    would shift the balance, and nothing may saturate.
    """
    names = (*LEVELS, "noise.level")
    values = problem.named_values(vector)
    sounding = [name for name in names if values[name] > 0.0]
    loudest = max((values[name] for name in sounding), default=1.0)
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


def _together(problem: Problem, vector: FloatArray, trials: FloatArray) -> FloatArray:
    """Switch off the first 2, 4, 8 ... of some trials together, and all of them.

    Only one waveform falls silent at a time, so that something goes on sounding.
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
    for column in moving_columns(problem, vector, leaves_rest=True):
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
