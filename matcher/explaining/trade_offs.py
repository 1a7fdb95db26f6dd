"""Pairs of controls that trade against each other: moving one is taken back by the other.

Candidates are pairs whose effects on the sound look alike, oscillator and LFO phases fitted; a
pair counts only if the render agrees: the first control, moved until it is clearly heard, is no
longer heard when the second one follows.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.explaining._fitting import Fitter
from matcher.explaining._switches import part_title
from matcher.explaining.how_to_set import TradeOff
from matcher.parts import parameter_label
from shared import CATALOGUE

if TYPE_CHECKING:
    from matcher.explaining._clock import Clock
    from matcher.explaining._ground import Ground
    from shared import Float32Array, FloatArray, Parameter
    from shared.types import IntArray

__all__ = ["find_trade_offs"]

# Effects that look less alike than this can't take each other back by half.
LEAST_LIKENESS = 0.7
# Moved until it is heard as two just-noticeable differences ...
CLEAR_STEPS = 2.0
# ... which the other control has to bring below one.
HEARD_STEPS = 1.0
_MOST_PAIRS = 24
_OFFSETS = np.geomspace(0.002, 0.5, 16)
_LENGTHS = np.linspace(0.2, 1.7, 16)


def find_trade_offs(own: Ground, columns: IntArray, clock: Clock) -> tuple[TradeOff, ...]:
    """Find pairs of controls that can stand in for each other.

    Parameters
    ----------
    own : Ground
        The patch with its own sound as the target.
    columns : np.ndarray of int, shape=(n_columns,)
        Entries of a candidate that can move: controls and phases.
    clock : Clock
        Says when to stop.

    Returns
    -------
    tuple of TradeOff
        The strongest one first.
    """
    fitter = Fitter(own)
    n_space = len(own.problem.space)
    controls = columns[columns < n_space]
    slopes = fitter.slopes(own.vector, columns)
    if clock.is_over():
        return ()
    phases = slopes[columns >= n_space]
    bare = _without(slopes[columns < n_space], phases)
    lengths = np.linalg.norm(bare, axis=1) + 1e-12
    likeness = np.abs(bare @ bare.T) / np.outer(lengths, lengths)
    pairs = [
        (float(likeness[i, j]), i, j)
        for i in range(len(controls))
        for j in range(i + 1, len(controls))
        if likeness[i, j] >= LEAST_LIKENESS
    ]
    found = []
    for _, i, j in sorted(pairs, reverse=True)[:_MOST_PAIRS]:
        if clock.is_over():
            break
        pair = int(controls[i]), int(controls[j])
        trade_off = _try_pair(own, fitter, pair, columns, slopes, clock=clock)
        if trade_off is not None:
            found.append(trade_off)
    return tuple(sorted(found, key=lambda each: -each.strength))


def _without(effects: Float32Array, phases: Float32Array) -> FloatArray:
    """Take out of effects what phases could take back."""
    if not len(phases):
        return effects.astype(np.float64)
    taken, *_ = np.linalg.lstsq(phases.T, effects.T, rcond=1e-6)
    return (effects - taken.T @ phases).astype(np.float64)


def _try_pair(
    own: Ground,
    fitter: Fitter,
    pair: tuple[int, int],
    columns: IntArray,
    slopes: Float32Array,
    *,
    clock: Clock,
) -> TradeOff | None:
    """Move one control until it is clearly heard, and let the other follow, on both sides."""
    best: TradeOff | None = None
    for first, second in (pair, pair[::-1]):
        for sign in (-1.0, 1.0):
            moved = None if clock.is_over() else _clearly_heard(own, first, sign)
            if moved is None:
                continue
            vector, alone = moved
            follows = (columns == second) | (columns >= len(own.problem.space))
            start = fitter.best(vector[None, :])
            fit = fitter.straight(start, columns[follows], slopes[follows], n_rounds=4)
            together = float(own.growth(fit.scores[:, None])[0])
            strength = 1.0 - together / alone
            if together < HEARD_STEPS and (best is None or strength > best.strength):
                found = _trade_off(own, first, second, fit.vector, strength)
                best = found if _is_seen(found) else best
    return best


def _is_seen(trade_off: TradeOff) -> bool:
    """Say whether both moves can be seen on a panel."""
    pairs = (trade_off.first, trade_off.first_values), (trade_off.second, trade_off.second_values)
    return all(
        CATALOGUE[name].format(here) != CATALOGUE[name].format(there)
        for name, (here, there) in pairs
    )


def _clearly_heard(own: Ground, column: int, sign: float) -> tuple[FloatArray, float] | None:
    """Move a control until it is clearly heard alone; None if the range ends before."""
    vectors = np.tile(own.vector, (len(_OFFSETS), 1))
    vectors[:, column] = np.clip(own.vector[column] + sign * _OFFSETS, 0.0, 1.0)
    growth = own.growth(own.evaluator.scores(vectors))
    heard = np.flatnonzero(growth >= CLEAR_STEPS)
    if not len(heard):
        return None
    place = int(heard[0])
    return vectors[place], float(growth[place])


def _trade_off(
    own: Ground, first: int, second: int, vector: FloatArray, strength: float
) -> TradeOff:
    """Describe a pair."""
    space, after = own.problem.space, own.values_of(vector)
    names = space[first], space[second]
    values = [(own.values[each.name], after[each.name]) for each in names]
    words = [_move(each, *pair) for each, pair in zip(names, values, strict=True)]
    text = f"{words[0]} with {words[1]} sounds the same"
    return TradeOff(
        names[0].name,
        names[1].name,
        values[0],
        values[1],
        strength,
        f"{text[0].upper()}{text[1:]}.",
    )


def _move(parameter: Parameter, here: float, there: float) -> str:
    """Say how a control moves."""
    control = f"{part_title(parameter.name)} {parameter_label(parameter.name)}"
    # Of a negative depth, the deeper one is more.
    is_negative = here < 0.0 and there < 0.0
    direction = "more" if (there < here if is_negative else there > here) else "less"
    return f"{direction} {control} ({parameter.format(here)} to {parameter.format(there)})"
