"""How exactly each control has to be set: profiles with the other controls fitted again.

A control is moved away from its value in the patch, step by step, and at every step the others are
fitted again, each step going on from the one before [1]_. Its slack ends where the sound gets
further from the target by a just-noticeable difference all the same: in one of the measured parts
of the loss, whose scales are about that, or in a quantity of `matcher.hearing`. Turned alone, it
is compared with the sound of the patch itself.

Two controls trade against each other if moving one is taken back by the other. Candidates are
pairs whose effects on the sound look alike, oscillator and LFO phases fitted; a pair counts only
if the render agrees: the first control, moved until it is clearly heard, is no longer heard when
the second one follows.

References
----------
.. [1] S. A. Murphy and A. W. van der Vaart, "On Profile Likelihood", J. American Statistical
   Association 95, 2000.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from matcher.explaining.fitting import Fit, Fitter, Slopes
from matcher.explaining.model import Slack, SlackOfPatch, TradeOff
from matcher.explaining.patch_parts import part_title
from matcher.explaining.prepared_run import against_itself
from matcher.hearing import compare_notes
from matcher.parts import parameter_label
from shared import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Callable

    from matcher.explaining.clock import Clock
    from matcher.explaining.prepared_run import PreparedRun
    from shared import FloatArray, Parameter

__all__ = ["HEARD_STEPS", "slack_of_patch"]

# A difference that grows by one just-noticeable difference is heard; clearly, by two.
HEARD_STEPS, CLEAR_STEPS = 1.0, 2.0
_LARGEST_STEP, _STRIDE, _MOST_STEPS = 0.3, 2.0, 8
_N_HALVINGS = 2
_N_ROUNDS = 3
_NOTHING = 1e-9
_DAMPING = 1e-6
# Offsets at which the others follow as the slopes say, and at which a control is turned alone, as
# shares of its range.
_FOLLOWED = np.geomspace(0.001, 0.5, 16)
_ALONE = np.geomspace(0.0005, 1.0, 16)
# Of the time of the section: until then controls are measured closely, then by fewer points, then
# pairs that trade against each other are looked for.
_THOROUGH_RATIO, _PROFILE_RATIO = 0.6, 0.85
# Width of the slack as a share of the control's range: what that asks of the hand is common
# practice, no source. A knob turns by 270 to 300 degrees, so 5 % are 15 degrees.
_EXACTNESS = ((0.5, "anywhere"), (0.2, "roughly"), (0.05, "with care"), (0.0, "exactly"))
# Effects that look less alike than this can't take each other back by half.
_LEAST_LIKENESS = 0.7
_MOST_PAIRS = 24
_MOVED = np.geomspace(0.002, 0.5, 16)


@dataclass(frozen=True, eq=False)
class _Point:
    """A value of a control in 0 to 1, the fit of the others, and the growth that is heard."""

    where: float
    fit: Fit
    growth: float


@dataclass
class _Side:
    """One side of a control: points that pass, outwards, and the nearest one that doesn't."""

    passed: list[_Point]
    failed: _Point | None = None
    is_open: bool = False

    def end(self, limit: float) -> float:
        """Find where it ends: between the last point that passes and the first that doesn't."""
        last = self.passed[-1]
        if self.failed is None:
            return limit if self.is_open else last.where
        share = (HEARD_STEPS - last.growth) / max(self.failed.growth - last.growth, _NOTHING)
        return last.where + (self.failed.where - last.where) * float(np.clip(share, 0.0, 1.0))


def slack_of_patch(prepared: PreparedRun, clock: Clock) -> SlackOfPatch:
    """Measure how exactly each control has to be set, and which ones trade against each other.

    The control that has to be set most exactly comes first; the result names those that time was
    too short for.
    """
    space, used = prepared.problem.space, prepared.controls_of(prepared.used)
    names = [name for name in space.names if name in used]
    found: list[tuple[float, Slack]] = []
    is_late, is_over = clock.part_ends(_THOROUGH_RATIO), clock.part_ends(_PROFILE_RATIO)
    if clock.is_over():
        return SlackOfPatch((), (), tuple(names))
    with against_itself(prepared) as own, ThreadPoolExecutor(2) as both_sides:
        profiler = _Profiler(prepared, own, both_sides, clock.is_over)
        for column in sorted((space.index(name) for name in names), key=profiler.effect_left):
            if is_over():
                break
            clock.show(f"slack of {space.names[column]}")
            found.append(profiler.slack(column, is_thorough=not is_late()))
        clock.show("controls that trade against each other")
        trade_offs = () if clock.is_over() else _find_trade_offs(own, clock)
    found.sort(key=lambda entry: entry[0])
    done = {slack.name for _, slack in found}
    return SlackOfPatch(
        tuple(slack for _, slack in found), trade_offs, tuple(n for n in names if n not in done)
    )


class _Profiler:
    """Moves one control at a time, the others fitted again."""

    def __init__(
        self,
        prepared: PreparedRun,
        own: PreparedRun,
        pool: ThreadPoolExecutor,
        is_over: Callable[[], bool],
    ) -> None:
        self._prepared, self._own = prepared, own
        self._pool, self._is_over = pool, is_over
        self._fitter = Fitter(prepared)
        self._slopes = self._fitter.slopes(prepared.vector, prepared.moving(prepared.vector))
        weights = prepared.evaluator.residual_weights
        square = ((self._slopes.rows * weights) @ self._slopes.rows.T).astype(np.float64)
        damping = _DAMPING * float(np.trace(square)) * np.eye(len(square))
        self._inverse = np.linalg.inv(square + damping)
        self._heard_before = _heard(prepared, prepared.vector)
        self._start = self._fitter.best(prepared.vector[None, :])

    def effect_left(self, column: int) -> float:
        """Guess how little a control may move, from what the others leave of its effect."""
        found = np.flatnonzero(self._slopes.columns == column)
        if not len(found):  # a switch
            return 0.0
        left = self._follow(column)[self._slopes.columns].astype(np.float32) @ self._slopes.rows
        return -float(np.abs(left) @ self._prepared.evaluator.residual_weights)

    def slack(self, column: int, *, is_thorough: bool) -> tuple[float, Slack]:
        """Measure one control; returns also the width as a share of its range."""
        measure = partial(self._side, column, is_thorough=is_thorough)
        sides = list(self._pool.map(measure, (-1.0, 1.0)))
        for side in sides:
            self._give_back(side)
        parameter = self._prepared.problem.space[column]
        low, high = (side.end(limit) for side, limit in zip(sides, (0.0, 1.0), strict=True))
        alone = [self._alone(column, sign) for sign in (-1.0, 1.0)]
        width = high - low
        slack = Slack(
            name=parameter.name,
            part=part_title(parameter.name),
            label=parameter_label(parameter.name),
            value=self._prepared.values[parameter.name],
            low=parameter.decode(low),
            high=parameter.decode(high),
            is_low_open=sides[0].is_open,
            is_high_open=sides[1].is_open,
            alone_low=parameter.decode(alone[0]),
            alone_high=parameter.decode(alone[1]),
            exactness=next(word for least, word in _EXACTNESS if width >= least),
            sentence="",
        )
        return width, replace(slack, sentence=_sentence(slack, parameter))

    def _side(self, column: int, sign: float, *, is_thorough: bool) -> _Side:
        """Go away from the patch until a difference is heard, then back by halves."""
        side = _Side([_Point(float(self._prepared.vector[column]), self._start, 0.0)])
        n_cells = self._prepared.n_positions(column)
        step = 1.0 / n_cells if n_cells else self._first_step(side, column, sign)
        edge = 0.5 / n_cells if n_cells else 0.0
        while side.failed is None and len(side.passed) < _MOST_STEPS:
            last = side.passed[-1].where
            where = float(np.clip(last + sign * step, edge, 1.0 - edge))
            if abs(where - last) < _NOTHING:
                side.is_open = True
                break
            if self._is_over():
                break
            self._try(side, column, where, is_thorough=is_thorough)
            step = step if n_cells else min(_STRIDE * step, _LARGEST_STEP)
        for _ in range(_N_HALVINGS if is_thorough and not n_cells else 0):
            if side.failed is not None and not self._is_over():
                middle = (side.passed[-1].where + side.failed.where) / 2.0
                self._try(side, column, middle, is_thorough=False)
        return side

    def _first_step(self, side: _Side, column: int, sign: float) -> float:
        """Let the others follow as the slopes say; returns the step to what is heard there."""
        here = float(self._prepared.vector[column])
        offsets = np.minimum(_FOLLOWED, here if sign < 0.0 else 1.0 - here)
        vectors = self._prepared.vector + sign * offsets[:, None] * self._follow(column)
        self._fitter.hold(vectors)
        scores = self._prepared.evaluator.scores(vectors)
        growth = self._prepared.growth(scores)
        n_pass = int(np.argmax([*(growth >= HEARD_STEPS), True]))
        if n_pass:
            k = n_pass - 1
            loss = float(self._prepared.losses_of(scores[:, k : k + 1])[0])
            fit = Fit(vectors[k], loss, scores[:, k])
            side.passed.append(_Point(float(vectors[k, column]), fit, float(growth[k])))
        if n_pass == len(growth):
            return _LARGEST_STEP
        return float(offsets[n_pass] - (offsets[n_pass - 1] if n_pass else 0.0))

    def _try(self, side: _Side, column: int, where: float, *, is_thorough: bool) -> None:
        """Set a control somewhere, fit the others, and note whether a difference is heard."""
        last = side.passed[-1]
        starts = np.tile(last.fit.vector, (2, 1))
        starts[1] += (where - last.where) * self._follow(column)
        starts[:, column] = where
        self._fitter.hold(starts)
        fit = self._fitter.best(starts)
        slopes = self._slopes.only(self._slopes.columns != column)
        for n_tries in range(2 if is_thorough else 1):
            if self._growth(fit) < HEARD_STEPS or self._is_over():
                break
            if n_tries:
                # So far from the patch, the slopes may have changed.
                slopes = self._fitter.slopes(fit.vector, slopes.columns)
            fit = self._fitter.descend(fit, slopes, n_rounds=_N_ROUNDS)
        point = _Point(where, fit, self._growth(fit))
        if point.growth < HEARD_STEPS:
            side.passed.append(point)
        else:
            side.failed = point

    def _follow(self, column: int) -> FloatArray:
        """Direction in which the others make up for a control, 1 in its own entry."""
        direction = np.zeros(len(self._prepared.vector))
        direction[column] = 1.0
        for i in np.flatnonzero(self._slopes.columns == column):
            direction[self._slopes.columns] = self._inverse[i] / self._inverse[i, i]
        return direction

    def _give_back(self, side: _Side) -> None:
        """Give back points at which a quantity of `matcher.hearing` has come to differ."""
        while len(side.passed) > 1:
            heard = _heard(self._prepared, side.passed[-1].fit.vector)
            # A quantity that is found in one of the two alone counts with what it has there.
            growth = max(
                (
                    steps - before.get(quantity, 0.0)
                    for before, after in zip(self._heard_before, heard, strict=True)
                    for quantity, steps in after.items()
                ),
                default=0.0,
            )
            if growth < HEARD_STEPS:
                break
            side.failed = replace(side.passed.pop(), growth=growth)
            side.is_open = False

    def _growth(self, fit: Fit) -> float:
        """Return the largest growth of a measured part."""
        return float(self._prepared.growth(fit.scores[:, None])[0])

    def _alone(self, column: int, sign: float) -> float:
        """Turn a control alone until it is heard against the sound of the patch itself."""
        here = float(self._prepared.vector[column])
        wheres = np.clip(here + sign * _ALONE, 0.0, 1.0)
        growth = _turned(self._own, column, wheres)[1]
        heard = np.flatnonzero(growth >= HEARD_STEPS)
        if not len(heard):
            return 0.0 if sign < 0.0 else 1.0
        first = int(heard[0])
        before, at = (wheres[first - 1], growth[first - 1]) if first else (here, 0.0)
        if self._prepared.n_positions(column):
            return float(before)
        return float(before + (wheres[first] - before) * (1.0 - at) / (growth[first] - at))


def _turned(own: PreparedRun, column: int, wheres: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Turn a control alone; returns candidates, and how far the sound moves."""
    vectors = np.tile(own.vector, (len(wheres), 1))
    vectors[:, column] = wheres
    return vectors, own.growth(own.evaluator.scores(vectors))


def _heard(prepared: PreparedRun, vector: FloatArray) -> list[dict[str, float]]:
    """Measure differences of each note from the target, in just-noticeable differences."""
    sounds = prepared.sounds(vector)
    return [
        {difference.quantity: difference.steps for difference in compare_notes(note, sound)}
        for note, sound in zip(prepared.target.notes, sounds, strict=True)
    ]


def _sentence(slack: Slack, parameter: Parameter) -> str:
    """Say where a control may be set."""

    def interval(low: float, high: float) -> str:
        texts = parameter.format(low), parameter.format(high)
        return f"only {texts[0]}" if texts[0] == texts[1] else f"{texts[0]} to {texts[1]}"

    start = f"{slack.part}, {slack.label} {parameter.format(slack.value)}"
    if slack.is_low_open and slack.is_high_open:
        return f"{start}: may be set anywhere in its range if the others follow."
    together = interval(slack.low, slack.high)
    if slack.is_low_open:
        together = f"anything up to {parameter.format(slack.high)}"
    elif slack.is_high_open:
        together = f"anything from {parameter.format(slack.low)} on"
    alone = interval(slack.alone_low, slack.alone_high)
    return (
        f"{start}: {together} comes as close if the others follow; alone, {alone} sounds the same."
    )


def _find_trade_offs(own: PreparedRun, clock: Clock) -> tuple[TradeOff, ...]:
    """Find pairs of controls that can stand in for each other, the strongest one first."""
    fitter, n_space = Fitter(own), len(own.problem.space)
    slopes = fitter.slopes(own.vector, own.moving(own.vector))
    is_control = slopes.columns < n_space
    controls = slopes.columns[is_control]
    rows = (slopes.rows * np.sqrt(own.evaluator.residual_weights)).astype(np.float64)
    effects, phases = rows[is_control], rows[~is_control]
    if len(phases):  # take out of the effects what phases could take back
        taken, *_ = np.linalg.lstsq(phases.T, effects.T, rcond=1e-6)
        effects -= taken.T @ phases
    lengths = np.linalg.norm(effects, axis=1) + 1e-12
    likeness = np.abs(effects @ effects.T) / np.outer(lengths, lengths)
    pairs = [
        (float(likeness[i, j]), i, j)
        for i, j in zip(*np.triu_indices(len(controls), 1), strict=True)
        if likeness[i, j] >= _LEAST_LIKENESS
    ]
    found = []
    for _, i, j in sorted(pairs, reverse=True)[:_MOST_PAIRS]:
        pair = int(controls[i]), int(controls[j])
        trade_off = _try_pair(own, fitter, pair, slopes, clock)
        if trade_off is not None:
            found.append(trade_off)
    return tuple(sorted(found, key=lambda each: -each.strength))


def _try_pair(
    own: PreparedRun, fitter: Fitter, pair: tuple[int, int], slopes: Slopes, clock: Clock
) -> TradeOff | None:
    """Move one control until it is clearly heard, and let the other follow, on both sides."""
    best: TradeOff | None = None
    for first, second in (pair, pair[::-1]):
        for sign in (-1.0, 1.0):
            if clock.is_over():
                return best
            wheres = np.clip(own.vector[first] + sign * _MOVED, 0.0, 1.0)
            vectors, growth = _turned(own, first, wheres)
            clear = np.flatnonzero(growth >= CLEAR_STEPS)
            if not len(clear):
                continue
            k = int(clear[0])
            follows = (slopes.columns == second) | (slopes.columns >= len(own.problem.space))
            start = fitter.best(vectors[k][None, :])
            fit = fitter.descend(start, slopes.only(follows), n_rounds=4)
            together = float(own.growth(fit.scores[:, None])[0])
            strength = 1.0 - together / float(growth[k])
            if together < HEARD_STEPS and (best is None or strength > best.strength):
                best = _trade_off(own, (first, second), fit.vector, strength) or best
    return best


def _trade_off(
    own: PreparedRun, pair: tuple[int, int], vector: FloatArray, strength: float
) -> TradeOff | None:
    """Describe a pair; None where a move can't be seen on a panel."""
    after = own.values_of(vector)
    names = [own.problem.space.names[column] for column in pair]
    values = [(own.values[name], after[name]) for name in names]
    moves = zip(names, values, strict=True)
    if any(CATALOGUE[n].format(here) == CATALOGUE[n].format(there) for n, (here, there) in moves):
        return None
    words = [_move(CATALOGUE[name], *each) for name, each in zip(names, values, strict=True)]
    text = f"{words[0]} with {words[1]} sounds the same."
    text = f"{text[0].upper()}{text[1:]}"
    return TradeOff(names[0], names[1], values[0], values[1], strength, text)


def _move(parameter: Parameter, here: float, there: float) -> str:
    """Say how a control moves."""
    control = f"{part_title(parameter.name)} {parameter_label(parameter.name)}"
    # Of a negative depth, the deeper one is more.
    is_negative = here < 0.0 and there < 0.0
    direction = "more" if (there < here if is_negative else there > here) else "less"
    return f"{direction} {control} ({parameter.format(here)} to {parameter.format(there)})"
