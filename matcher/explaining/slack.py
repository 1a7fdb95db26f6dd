"""How exactly each control has to be set: profiles with the other controls fitted again.

A control is moved away from where it stands, step by step, and at every step the others are
fitted again, each step going on from the one before. Its slack ends where the sound gets further
from the target by a just-noticeable difference all the same: in one of the measured parts of the
loss, whose scales are about that, or in a quantity of `matcher.hearing`. Turned alone, it is
compared with the sound of the patch itself.

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

from matcher.explaining.fitting import Fit, Fitter
from matcher.explaining.model import ProfilePoint, Slack, SlackOfPatch, TradeOff
from matcher.explaining.patch_parts import part_title
from matcher.explaining.prepared_run import against_itself
from matcher.hearing import compare_notes
from matcher.parts import parameter_label
from shared import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Callable

    from matcher.explaining.clock import Clock
    from matcher.explaining.prepared_run import PreparedRun
    from shared import Float32Array, FloatArray, Parameter
    from shared.types import IntArray

__all__ = ["HEARD_STEPS", "find_trade_offs", "slack_of_patch"]

# A difference that grows by one just-noticeable difference is heard.
HEARD_STEPS = 1.0
_LARGEST_STEP = 0.3
_MOST_STEPS = 8
_N_HALVINGS = 2
_N_ROUNDS = 3
_NOTHING = 1e-9
_DAMPING = 1e-6
# Offsets along the line on which the others follow, as shares of its range.
_GLANCE = np.geomspace(0.001, 0.5, 16)
_STRIDE = 2.0
# Offsets at which a control is turned alone, as shares of its range.
_ALONE = np.geomspace(0.0005, 1.0, 16)
# Of the time of the section: until then controls are measured closely, then by fewer places, then
# pairs that trade against each other are looked for.
_THOROUGH_RATIO = 0.6
_PROFILE_RATIO = 0.85


@dataclass(frozen=True, eq=False)
class _Place:
    """One place of a control, the others fitted: place in its range, fit, and what is heard."""

    where: float
    fit: Fit
    growth: float


@dataclass
class _Side:
    """One side of a control: places that pass, outwards, and the nearest one that doesn't."""

    passed: list[_Place]
    failed: _Place | None = None
    is_open: bool = False


def slack_of_patch(prepared: PreparedRun, clock: Clock) -> SlackOfPatch:
    """Measure how exactly each control has to be set, and which ones trade against each other.

    Parameters
    ----------
    prepared : PreparedRun
        The patch with its target.
    clock : Clock
        Says when to stop; the result names controls that were not reached.

    Returns
    -------
    SlackOfPatch
        The control that has to stand most exactly first.
    """
    columns = prepared.moving(prepared.vector)
    judged = _judged(prepared)
    found: list[tuple[float, Slack]] = []
    is_late, is_over = clock.part_ends(_THOROUGH_RATIO), clock.part_ends(_PROFILE_RATIO)
    names = [prepared.problem.space.names[column] for column in judged]
    if clock.is_over():
        return SlackOfPatch((), (), tuple(names))
    with against_itself(prepared) as own, ThreadPoolExecutor(2) as both_sides:
        profiler = _Profiler(prepared, own, columns, both_sides, clock.is_over)
        for column in sorted(judged, key=profiler.exactness):
            if is_over():
                break
            clock.tell(f"slack of {prepared.problem.space.names[column]}")
            found.append(profiler.slack(column, is_thorough=not is_late()))
        clock.tell("controls that trade against each other")
        trade_offs = () if clock.is_over() else find_trade_offs(own, columns, clock)
    found.sort(key=lambda entry: entry[0])
    done = {slack.name for _, slack in found}
    return SlackOfPatch(
        tuple(slack for _, slack in found),
        trade_offs,
        tuple(name for name in names if name not in done),
    )


def _judged(prepared: PreparedRun) -> list[int]:
    """List the columns of the controls that do something."""
    links = prepared.problem.structure.links
    used = set(prepared.used) | {source for name, source in links.items() if name in prepared.used}
    return [i for i, name in enumerate(prepared.problem.space.names) if name in used]


class _Profiler:
    """Moves one control at a time, the others fitted again."""

    def __init__(
        self,
        prepared: PreparedRun,
        own: PreparedRun,
        columns: IntArray,
        pool: ThreadPoolExecutor,
        is_over: Callable[[], bool],
    ) -> None:
        self._prepared = prepared
        self._own = own
        # The side down and the side up are walked at the same time, with buffers of their own.
        self._fitters = {-1.0: Fitter(prepared), 1.0: Fitter(prepared)}
        self._pool = pool
        self._is_over = is_over
        self._columns = columns
        self._slopes = self._fitters[1.0].slopes(prepared.vector, columns)
        square = (self._slopes @ self._slopes.T).astype(np.float64)
        damping = _DAMPING * float(np.trace(square)) * np.eye(len(square))
        self._inverse = np.linalg.inv(square + damping)
        self._hearing = Hearing(prepared)
        self._start = self._fitters[1.0].best(prepared.vector[None, :])

    def slack(self, column: int, *, is_thorough: bool) -> tuple[float, Slack]:
        """Measure one control; returns also the width as a share of its range."""
        walk = partial(self._side, column, is_thorough=is_thorough)
        sides = list(self._pool.map(walk, (-1.0, 1.0)))
        for side in sides:
            self._listen(side)
        parameter = self._prepared.problem.space[column]
        low, high = (_end(side, limit) for side, limit in zip(sides, (0.0, 1.0), strict=True))
        alone = [self._alone(column, sign) for sign in (-1.0, 1.0)]
        places = {
            place.where: place for side in sides for place in (*side.passed, side.failed) if place
        }
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
            exactness=exactness_of(high - low),
            profile=tuple(
                ProfilePoint(parameter.decode(where), place.fit.loss, place.growth)
                for where, place in sorted(places.items())
            ),
            sentence="",
        )
        return high - low, replace(slack, sentence=describe_slack(slack, parameter))

    def _side(self, column: int, sign: float, *, is_thorough: bool) -> _Side:
        """Walk away from the patch until a difference is heard, then go back by halves."""
        here = float(self._prepared.vector[column])
        side = _Side([_Place(here, self._start, 0.0)])
        n_cells = self._prepared.n_positions(column)
        step = 1.0 / n_cells if n_cells else self._glance(side, column, sign)
        edge = 0.5 / n_cells if n_cells else 0.0
        while side.failed is None and len(side.passed) < _MOST_STEPS:
            last = side.passed[-1].where
            where = float(np.clip(last + sign * step, edge, 1.0 - edge))
            if abs(where - last) < _NOTHING:
                side.is_open = True
                break
            if self._is_over():
                break
            self._try(side, column, where, sign, is_thorough=is_thorough)
            step = step if n_cells else min(_STRIDE * step, _LARGEST_STEP)
        for _ in range(_N_HALVINGS if is_thorough and not n_cells else 0):
            if side.failed is not None and not self._is_over():
                middle = (side.passed[-1].where + side.failed.where) / 2.0
                self._try(side, column, middle, sign, is_thorough=False)
        return side

    def _glance(self, side: _Side, column: int, sign: float) -> float:
        """Look along the line on which the others follow; returns the step to what fails there."""
        here = float(self._prepared.vector[column])
        room = here if sign < 0.0 else 1.0 - here
        offsets = np.minimum(_GLANCE, room)
        vectors = self._prepared.vector + sign * offsets[:, None] * self._follow(column)
        self._fitters[sign].hold(vectors)
        _, scores = self._fitters[sign].score(vectors)
        growth = self._prepared.growth(scores)
        heard = np.flatnonzero(growth >= HEARD_STEPS)
        n_pass = int(heard[0]) if len(heard) else len(growth)
        if n_pass:
            k = n_pass - 1
            loss = float(self._prepared.losses_of(scores[:, k : k + 1])[0])
            fit = Fit(vectors[k], loss, scores[:, k])
            side.passed.append(_Place(float(vectors[k, column]), fit, float(growth[k])))
        if n_pass == len(growth):
            return _LARGEST_STEP
        return float(offsets[n_pass] - (offsets[n_pass - 1] if n_pass else 0.0))

    def _try(
        self, side: _Side, column: int, where: float, sign: float, *, is_thorough: bool
    ) -> None:
        """Put a control somewhere, fit the others, and note whether a difference is heard."""
        fitter, last = self._fitters[sign], side.passed[-1]
        starts = np.tile(last.fit.vector, (2, 1))
        starts[1] += (where - last.where) * self._follow(column)
        starts[:, column] = where
        fitter.hold(starts)
        fit = fitter.best(starts)
        columns, slopes = self._columns, self._slopes
        for n_rounds in (_N_ROUNDS, _N_ROUNDS) if is_thorough else (_N_ROUNDS,):
            if self._growth(fit) < HEARD_STEPS or self._is_over():
                break
            if columns is not self._columns:
                # So far from the patch, the lines may lead elsewhere.
                slopes = fitter.slopes(fit.vector, columns)
            else:
                slopes, columns = slopes[columns != column], columns[columns != column]
            fit = fitter.straight(fit, columns, slopes, n_rounds=n_rounds)
        place = _Place(where, fit, self._growth(fit))
        if place.growth < HEARD_STEPS:
            side.passed.append(place)
        else:
            side.failed = place

    def _follow(self, column: int) -> FloatArray:
        """Direction in which the others make up for a control, 1 in its own place."""
        direction = np.zeros(len(self._prepared.vector))
        direction[column] = 1.0
        found = np.flatnonzero(self._columns == column)
        if len(found):
            row = self._inverse[int(found[0])]
            direction[self._columns] = row / row[int(found[0])]
        return direction

    def _listen(self, side: _Side) -> None:
        """Give back places at which a quantity of `matcher.hearing` has come to differ."""
        while len(side.passed) > 1:
            growth = self._hearing.growth(side.passed[-1].fit.vector)
            if growth < HEARD_STEPS:
                break
            side.failed = replace(side.passed.pop(), growth=growth)
            side.is_open = False

    def _growth(self, fit: Fit) -> float:
        """Return the largest growth of a measured part."""
        return float(self._prepared.growth(fit.scores[:, None])[0])

    def exactness(self, column: int) -> float:
        """Guess how little a control may move, from what is left of its effect in the end."""
        found = np.flatnonzero(self._columns == column)
        if not len(found):  # a switch
            return 0.0
        left = self._follow(column)[self._columns].astype(np.float32) @ self._slopes
        return -float(np.abs(left).sum())

    def _alone(self, column: int, sign: float) -> float:
        """Turn a control alone until it is heard against the sound of the patch itself."""
        here = float(self._prepared.vector[column])
        limit = 0.0 if sign < 0.0 else 1.0
        wheres = np.clip(here + sign * _ALONE, 0.0, 1.0)
        vectors = np.tile(self._prepared.vector, (len(wheres), 1))
        vectors[:, column] = wheres
        growth = self._own.growth(self._own.evaluator.scores(vectors))
        heard = np.flatnonzero(growth >= HEARD_STEPS)
        if not len(heard):
            return limit
        first = int(heard[0])
        before, at = (wheres[first - 1], growth[first - 1]) if first else (here, 0.0)
        if self._prepared.n_positions(column):
            return float(before)
        return float(before + (wheres[first] - before) * (1.0 - at) / (growth[first] - at))


def _end(side: _Side, limit: float) -> float:
    """Find where a side ends: between the last place that passes and the first that doesn't."""
    last = side.passed[-1]
    if side.failed is None:
        return limit if side.is_open else last.where
    share = (HEARD_STEPS - last.growth) / max(side.failed.growth - last.growth, _NOTHING)
    return last.where + (side.failed.where - last.where) * float(np.clip(share, 0.0, 1.0))


# Width of the slack as a share of the control's range: what that asks of the hand is common
# practice, no source. A knob turns by 270 to 300 degrees, so 5 % are 15 degrees.
_EXACTNESS = ((0.5, "anywhere"), (0.2, "roughly"), (0.05, "with care"), (0.0, "exactly"))


def exactness_of(width_ratio: float) -> str:
    """Name how exactly a control has to stand."""
    return next(word for least, word in _EXACTNESS if width_ratio >= least)


def describe_slack(slack: Slack, parameter: Parameter) -> str:
    """Say where a control may stand."""
    start = f"{slack.part}, {slack.label} {parameter.format(slack.value)}"
    if slack.is_low_open and slack.is_high_open:
        return f"{start}: may stand anywhere in its range if the others follow."
    together = _span(slack, parameter)
    alone = _interval(parameter, slack.alone_low, slack.alone_high)
    return (
        f"{start}: {together} comes as close if the others follow; alone, {alone} sounds the same."
    )


def _span(slack: Slack, parameter: Parameter) -> str:
    """Print the slack."""
    if slack.is_low_open:
        return f"anything up to {parameter.format(slack.high)}"
    if slack.is_high_open:
        return f"anything from {parameter.format(slack.low)} on"
    return _interval(parameter, slack.low, slack.high)


def _interval(parameter: Parameter, low: float, high: float) -> str:
    """Print an interval."""
    texts = parameter.format(low), parameter.format(high)
    return f"only {texts[0]}" if texts[0] == texts[1] else f"{texts[0]} to {texts[1]}"


class Hearing:
    """Compares candidates with the patch by what `matcher.hearing` measures.

    Parameters
    ----------
    prepared : PreparedRun
        The patch with its target.
    """

    def __init__(self, prepared: PreparedRun) -> None:
        self._prepared = prepared
        self._before = self._steps(prepared.vector)

    def growth(self, vector: FloatArray) -> float:
        """Largest growth of a difference from the target, in just-noticeable differences.

        A quantity that is found in one of the two alone has jumped over its threshold, and counts
        with what it has there.
        """
        grown = [
            steps - before.get(quantity, 0.0)
            for before, after in zip(self._before, self._steps(vector), strict=True)
            for quantity, steps in after.items()
        ]
        return max(grown, default=0.0)

    def _steps(self, vector: FloatArray) -> list[dict[str, float]]:
        """Measure the differences of each note."""
        return [
            {difference.quantity: difference.steps for difference in compare_notes(note, sound)}
            for note, sound in zip(
                self._prepared.target.notes, self._prepared.sounds(vector), strict=True
            )
        ]


# Effects that look less alike than this can't take each other back by half.
LEAST_LIKENESS = 0.7
# Moved until it is heard as two just-noticeable differences ...
CLEAR_STEPS = 2.0
# ... which the other control has to bring below one.
HEARD_STEPS = 1.0
_MOST_PAIRS = 24
_OFFSETS = np.geomspace(0.002, 0.5, 16)
_LENGTHS = np.linspace(0.2, 1.7, 16)


def find_trade_offs(own: PreparedRun, columns: IntArray, clock: Clock) -> tuple[TradeOff, ...]:
    """Find pairs of controls that can stand in for each other.

    Parameters
    ----------
    own : PreparedRun
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
    own: PreparedRun,
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


def _clearly_heard(own: PreparedRun, column: int, sign: float) -> tuple[FloatArray, float] | None:
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
    own: PreparedRun, first: int, second: int, vector: FloatArray, strength: float
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
