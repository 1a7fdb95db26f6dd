"""The ladder: from everything that was found down to the plain patch, a few settings at a time.

A search in many dimensions leaves every part a little away from rest, and many parts stand in for
each other. So everything that could be left out is tried, the rest is fitted again with the
slopes of the whole (backward elimination with second-order information [1]_, [2]_), and what is
missed least, for each setting that it saves, is left out. Every state on the way is a rung. The
suggested one is the shortest that nothing heard separates from the closest; what isn't missed
there goes as well.

References
----------
.. [1] Y. LeCun, J. S. Denker and S. A. Solla, "Optimal Brain Damage", NIPS 2, 1989.
.. [2] B. Hassibi and D. G. Stork, "Second Order Derivatives for Network Pruning: Optimal Brain
   Surgeon", NIPS 5, 1992.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from matcher.losses import breakdown
from matcher.optimise import Box
from matcher.optimise.gauss_newton import NEAR_MOVE, LocalSearch, normal_equations, refit_points
from matcher.parts import settings_off_rest
from matcher.problem import whole_vectors
from matcher.search.pruning import (
    at_rest,
    is_sounding,
    moving_columns,
    plain_vector,
    settle_on_steps,
    shorter_vectors,
    tidy,
    with_oscillator_1_first,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from matcher.problem import Problem
    from matcher.search.recorder import Recorder
    from shared import Float32Array, FloatArray
    from shared.types import IntArray

    # Differences from the target that have a name, by note and quantity, in steps.
    Named = Callable[[FloatArray], Mapping[tuple[int, str], float]]

__all__ = ["HALF_STEP", "LadderWalk", "WalkedRung", "choose", "n_settings_of"]

# Two patches are alike if no term and nothing that has a name differs by more of a
# just-noticeable difference.
HALF_STEP = 0.5
# So many removals are tried in the last look; what is nearly alike gets some steps of its own.
N_LAST, NEARLY = 40, 2.0
# A removal that costs such a share of the loss, and this besides, costs nothing.
FREE_RATIO, FREE_STEPS = 0.01, 0.01
# Of all removals, so many are tried in a round: those that cost least when last tried. A refit
# takes off most of what a part is missed by as it is, so first guesses are such a share of that.
N_TRIED, UNFITTED = 16, 0.25
# Dampings of the refits without a part.
REFITS = ((False, 0.003), (False, 0.1))
# A rung gets further steps as long as one brings such a share of the loss.
GAIN, MOST_STEPS = 0.01, 3
# So many of the cheapest removals are fitted in earnest before one is chosen.
N_EARNEST = 2
# What is left out together costs about so many candidates in a round.
N_JOINED = 8
# The plain patch has about so many settings; what walks down leaves a share for the last look.
N_PLAIN, WALK_SHARE = 6, 0.7
# What switching off all that nobody hears may take of it.
BEGIN_SHARE = 0.3


@dataclass
class WalkedRung:
    """One rung as vector; its row in the record ends what was tried for it.

    `missed` says for each thing that can be left out by how much the loss grew when it was, the
    rest fitted again.
    """

    vector: FloatArray
    loss: float
    score: FloatArray
    n_settings: int
    n_rows: int
    missed: dict[str, float] = field(default_factory=dict)
    _PLAIN: ClassVar = ("vector", "loss", "score", "n_settings", "n_rows")

    def to_state(self) -> dict[str, Any]:
        """Return plain values."""
        plain = {name: getattr(self, name) for name in self._PLAIN}
        rises = np.array(list(self.missed.values()))
        return {**plain, "titles": list(self.missed), "rises": rises}

    @classmethod
    def from_state(cls, state: dict[str, Any]) -> WalkedRung:
        """Make the rung that `state` describes."""
        missed = dict(zip(state["titles"], state["rises"].tolist(), strict=True))
        return cls(**{name: state[name] for name in cls._PLAIN}, missed=missed)


@dataclass
class _Tried:
    """A candidate that is shorter than a rung: what was left out of it, and how it scores."""

    titles: tuple[str, ...]
    row: FloatArray
    n_settings: int
    vector: FloatArray = field(default_factory=lambda: np.empty(0))
    loss: float = np.inf
    score: FloatArray = field(default_factory=lambda: np.empty(0))
    # Its place among what was tried together.
    number: int = 0

    def take(self, vectors: FloatArray, losses: FloatArray, scores: FloatArray) -> None:
        """Keep the best of some fits."""
        best = int(np.argmin(losses))
        if losses[best] < self.loss:
            self.vector, self.loss, self.score = vectors[best], float(losses[best]), scores[best]


@dataclass(frozen=True)
class _Slopes:
    """What was measured around a point: products of slopes, and of slopes with differences."""

    box: Box
    base: FloatArray
    columns: IntArray
    own: IntArray
    normal: FloatArray
    # At the point itself, then at each that has something left out.
    downhill: FloatArray

    def refitted(self, tried: Sequence[_Tried], downhill: FloatArray) -> FloatArray:
        """Fit everything but what was left out: all with the first of `REFITS`, then the next."""
        rows = np.array([one.row for one in tried]).reshape(len(tried), len(self.base))
        if not len(rows):
            return rows
        inner = rows[:, self.columns]
        changed = inner != self.base[self.columns]
        fitted = np.tile(rows, (len(REFITS), 1))
        fitted[:, self.columns] = refit_points(
            self.box,
            self.own,
            self.normal,
            downhill,
            points=inner,
            masks=np.ones(changed.shape, bool),
            changed=changed,
            refits=REFITS,
        )
        return fitted


def n_settings_of(problem: Problem, vector: FloatArray) -> int:
    """Count the settings that a player has to make."""
    values = problem.named_values(tidy(problem, vector))
    return len(settings_off_rest(values, problem.structure.space))


def choose(
    rungs: Sequence[WalkedRung],
    weights: Mapping[str, float] | None,
    named: Named,
    *,
    n_settings: int | None = None,
) -> WalkedRung:
    """Choose the shortest rung that nothing separates from the closest.

    With `n_settings` the closest one with no more, or the shortest.
    """
    if n_settings is not None:
        short = [rung for rung in rungs if rung.n_settings <= n_settings]
        return (
            min(short, key=lambda r: r.loss) if short else min(rungs, key=lambda r: r.n_settings)
        )
    judge = _Judge(min(rungs, key=lambda rung: rung.loss), weights, named)
    ordered = sorted(rungs, key=lambda rung: (rung.n_settings, rung.loss))
    return next((r for r in ordered if judge.is_alike(r.vector, r.score)), judge.best)


class _Judge:
    """Says whether something heard separates a patch from the best one."""

    def __init__(
        self, best: WalkedRung, weights: Mapping[str, float] | None, named: Named
    ) -> None:
        self.best, self._weights, self._named = best, weights, named
        self._terms = breakdown(best.score, weights).terms
        self._heard: Mapping[tuple[int, str], float] | None = None

    def furthest_term(self, score: FloatArray) -> float:
        """Say by how much a term is worse at most, in steps."""
        terms = breakdown(score, self._weights).terms
        return max(terms[name] - self._terms[name] for name in terms)

    def is_alike(self, vector: FloatArray, score: FloatArray) -> bool:
        """Whether no term and no named difference is half a step worse."""
        if vector is self.best.vector:
            return True
        if not self.furthest_term(score) <= HALF_STEP:
            return False
        if self._heard is None:
            self._heard = self._named(self.best.vector)
        before = self._heard
        return not any(
            steps >= 1.0 and steps >= before.get(key, 0.0) + HALF_STEP
            for key, steps in self._named(vector).items()
        )


class LadderWalk:
    """Walks down the ladder; what it tries depends on the record alone.

    After an interruption the round at work is taken again from its beginning; what the record
    already has is measured again, as it has no single differences. There are `n_rows` candidates
    for all of it, counted from `first_row`; of a time, `rows_left` says how many are left, about.
    """

    def __init__(
        self,
        recorder: Recorder,
        rungs: list[WalkedRung],
        first_row: int,
        *,
        named: Named,
        n_rows: float,
        n_settings: int | None = None,
        rows_left: Callable[[], float] = lambda: np.inf,
        after_batch: Callable[[], None] = lambda: None,
    ) -> None:
        self._recorder, self.rungs, self._named = recorder, rungs, named
        self._problem = recorder.evaluator.problem
        self._n_wanted = n_settings
        self._first_row, self._n_rows, self._rows_left = first_row, n_rows, rows_left
        self._after_batch = after_batch
        self._row = rungs[-1].n_rows if rungs else first_row

    def take(self) -> WalkedRung:
        """Walk down, and return the suggested rung."""
        if not self.rungs:
            self._begin()
        while self._step_down():
            self._after_batch()
        weights = self._recorder.evaluator.weights
        chosen = choose(self.rungs, weights, self._named, n_settings=self._n_wanted)
        return chosen if self._n_wanted is not None else self._last_look(chosen)

    def settle(self, rung: WalkedRung, n_most: int) -> tuple[FloatArray, float]:
        """Settle on the steps of a panel, once the ladder is done, by so many candidates more."""
        self._n_rows = self._row - self._first_row + n_most
        return settle_on_steps(
            self._problem, rung.vector, rung.loss, self._losses, n_evaluations=n_most
        )

    @property
    def n_tried(self) -> int:
        """Number of candidates so far."""
        return self._row - self._first_row

    @property
    def is_whole(self) -> bool:
        """Whether there was time to come down to a plain patch."""
        last = min(self.rungs, key=lambda rung: rung.n_settings)
        return last.n_settings <= N_PLAIN or not self._shorter(last, 1)

    def _left(self, share: float = 1.0) -> float:
        """Say how many candidates are left of a share of what the ladder has."""
        left = share * self._n_rows - self.n_tried
        return min(left, self._rows_left() - (1.0 - share) * self._n_rows)

    def _begin(self) -> None:
        """Take the best candidate, without what nobody misses as it is."""
        record = self._recorder.record
        best = int(np.argmin(record.losses[: self._first_row]))
        vector = np.array(record.candidates[best])
        loss, score = float(record.losses[best]), record.terms[best]
        missed: dict[str, float] = {}
        n_most = int(BEGIN_SHARE * self._left())
        plain, rises = plain_vector(
            self._problem, vector, loss, self._losses, n_evaluations=n_most
        )
        plain = self._tidied(plain)
        missed = {title: UNFITTED * rise for title, rise in rises.items()}
        if not np.array_equal(plain, vector) and (scored := self._scored(plain)):
            vector, (loss, score) = plain, scored
        self.rungs.append(self._rung(vector, loss, score, missed))

    def _tidied(self, vector: FloatArray) -> FloatArray:
        """Put what does nothing to rest, and the one oscillator that sounds first."""
        tidied = at_rest(self._problem, vector)
        swapped = with_oscillator_1_first(self._problem, tidied)
        return tidied if swapped is None else at_rest(self._problem, swapped)

    def _rung(
        self, vector: FloatArray, loss: float, score: FloatArray, missed: dict[str, float]
    ) -> WalkedRung:
        """Make a rung."""
        n_settings = n_settings_of(self._problem, vector)
        return WalkedRung(vector, loss, np.array(score), n_settings, self._row, missed)

    def _step_down(self) -> bool:
        """Fit the last rung, and add the next one below; whether there is one."""
        rung = self.rungs[-1]
        n_each = self._n_each(rung)
        left = self._left(WALK_SHARE)
        n_tried = int(min(N_TRIED, 0.4 * left / 3))
        n_above = rung.n_settings - N_PLAIN
        if n_above < 1 or left < n_each + 3 * n_tried or n_tried < 1:
            return False
        # Later rounds have fewer settings to move.
        n_rounds = left / (0.75 * n_each + 3 * N_TRIED + N_JOINED)
        is_rich = n_rounds > (1 + N_EARNEST) * n_above
        if not self._shorter(rung, 1):
            return False
        # In equal ratios: at the top little is missed, and near the plain patch each part counts.
        n_least = n_above * (1.0 - n_above ** (-1.0 / max(n_rounds, 1.0)))
        n_least = 0.0 if n_rounds > n_above else n_least
        # What is saved meanwhile is the round's beginning, from which it can be taken again.
        rung = replace(rung, missed=dict(rung.missed))
        self._fit(rung, n_steps=MOST_STEPS if is_rich else 0)
        tried, slopes = self._look(rung, self._shorter(rung, n_tried))
        tried += self._together(rung, tried, slopes, n_least)
        best = self._best(rung, tried, n_least)
        if is_rich:
            for one in best[:N_EARNEST]:
                self._fit(one, n_steps=1)
        found = self._best(rung, best[: N_EARNEST if is_rich else 1], 0.0)
        if not found:
            return False
        below = found[0]
        vector = self._tidied(below.vector)
        scored = (below.loss, below.score)
        if not np.array_equal(vector, below.vector):
            scored = self._scored(vector) or scored
        self.rungs[-1] = rung
        self.rungs.append(self._rung(vector, *scored, _others(rung.missed, below.titles)))
        return True

    def _n_each(self, rung: WalkedRung) -> int:
        """Say how many candidates a step takes."""
        return len(moving_columns(self._problem, rung.vector)) + 17

    def _best(self, rung: WalkedRung, tried: Sequence[_Tried], n_least: float) -> list[_Tried]:
        """Order what was tried: least missed for each setting that it saves.

        What costs nothing comes first, most settings at once; where time is short, what saves
        `n_least` settings at least, or else most.
        """
        free = FREE_RATIO * rung.loss + FREE_STEPS
        shorter = [x for x in tried if np.isfinite(x.loss) and x.n_settings < rung.n_settings]
        most = max((rung.n_settings - one.n_settings for one in shorter), default=0)

        def cost(one: _Tried) -> tuple[bool, float]:
            n_saved = rung.n_settings - one.n_settings
            paid = max(one.loss - rung.loss - free, 0.0)
            return n_saved < min(n_least, most), (paid + 0.1 * free) / n_saved

        return sorted(shorter, key=cost)

    def _shorter(self, rung: WalkedRung, n_most: int) -> list[_Tried]:
        """List what can be left out of a rung, what was missed least first."""
        problem, found = self._problem, []
        for title, row in shorter_vectors(problem, rung.vector).items():
            n_settings = n_settings_of(problem, row)
            if n_settings < rung.n_settings:
                found.append(_Tried((title,), row, n_settings))
        found.sort(key=lambda one: rung.missed.get(one.titles[0], -np.inf))
        return found[:n_most]

    def _together(
        self, rung: WalkedRung, tried: Sequence[_Tried], slopes: _Slopes | None, n_least: float
    ) -> list[_Tried]:
        """Leave out the cheapest 2, 4, 8 ... together, and as many as save `n_least` settings.

        What they change is taken to add up.
        """
        if slopes is None:
            return []
        joined, downhill = slopes.base, slopes.downhill[0]
        titles: tuple[str, ...] = ()
        rows, downhills = [], []
        for one in self._best(rung, tried, 0.0):
            changed = one.row != slopes.base
            row = joined.copy()
            row[changed] = one.row[changed]
            row = at_rest(self._problem, row)
            if not is_sounding(self._problem, row):
                continue
            joined = row
            downhill = downhill + slopes.downhill[1 + one.number] - slopes.downhill[0]
            titles += one.titles
            rows.append(_Tried(titles, row, n_settings_of(self._problem, row)))
            downhills.append(downhill)
        enough = [rung.n_settings - row.n_settings >= n_least for row in rows]
        counts = {2**k for k in range(1, 7)} | {len(rows), 1 + sum(not is_so for is_so in enough)}
        chosen = [i for i in range(len(rows)) if i + 1 in counts and i]
        rows = [rows[i] for i in chosen]
        fitted = slopes.refitted(rows, np.array([downhills[i] for i in chosen]))
        measured = self._measure(fitted) if rows else None
        if measured is None:
            return []
        self._share_out(rows, fitted, *measured[:2])
        return rows

    def _share_out(
        self,
        tried: Sequence[_Tried],
        fitted: FloatArray,
        losses: FloatArray,
        scores: FloatArray,
    ) -> None:
        """Give each what was fitted for it, one damping after the other."""
        for i, one in enumerate(tried):
            of_one = slice(i, None, len(tried))
            one.take(fitted[of_one], losses[of_one], scores[of_one])

    def _fit(self, point: WalkedRung | _Tried, *, n_steps: int) -> None:
        """Take some steps, as long as they bring much."""
        for _ in range(n_steps):
            before = point.loss
            self._look(point, [])
            if not point.loss < (1.0 - GAIN) * before:
                return

    def _look(
        self, point: WalkedRung | _Tried, tried: list[_Tried]
    ) -> tuple[list[_Tried], _Slopes | None]:
        """Take a step from a point, and fit shorter ones with the slopes measured for it."""
        problem, base = self._problem, point.vector
        columns = moving_columns(problem, base)
        box = Box(circular=problem.circular[columns], cells=problem.cells[columns])
        search = LocalSearch.at(base[columns], move=NEAR_MOVE)
        points, own, moved = search.slope_points(box)
        rows = np.array([one.row for one in tried]).reshape(len(tried), len(base))
        measured = self._measure(np.concatenate([whole_vectors(base, columns, points), rows]))
        if measured is None:
            return [], None
        losses, scores, residuals = measured
        weights = self._recorder.evaluator.residual_weights
        normal, downhill = normal_equations(residuals, weights, moved)
        slopes = _Slopes(box, base, columns, own, normal, downhill)
        for i, one in enumerate(tried):
            one.number, k = i, len(points) + i
            one.take(rows[i : i + 1], losses[k : k + 1], scores[k : k + 1])
        steps = whole_vectors(base, columns, search.trial_points(box, own, normal, downhill[0]))
        fitted = slopes.refitted(tried, downhill[1:])
        measured = self._measure(np.concatenate([steps, fitted]))
        if measured is None:
            return tried, slopes
        n_steps = len(steps)
        self._share_out(tried, fitted, measured[0][n_steps:], measured[1][n_steps:])
        losses = measured[0][:n_steps]
        if n_steps and losses.min() < point.loss:
            best = int(np.argmin(losses))
            point.vector, point.loss = steps[best], float(losses[best])
            point.score = measured[1][best]
        if isinstance(point, WalkedRung):
            point.n_settings = n_settings_of(problem, point.vector)
            point.missed |= {one.titles[0]: one.loss - point.loss for one in tried}
        return tried, slopes

    def _last_look(self, chosen: WalkedRung) -> WalkedRung:
        """Fit shorter rungs that are nearly alike, and leave out what isn't heard of one."""
        found = [replace(rung, missed=dict(rung.missed)) for rung in self.rungs]
        chosen = found[next(i for i, rung in enumerate(self.rungs) if rung is chosen)]
        judge = self._judge(found)
        for rung in sorted(found, key=lambda rung: rung.n_settings):
            if rung.n_settings >= chosen.n_settings:
                break
            if judge.furthest_term(rung.score) <= NEARLY * HALF_STEP:
                self._fit(rung, n_steps=MOST_STEPS)
                if judge.is_alike(rung.vector, rung.score):
                    chosen = rung
                    break
        while shorter := self._unmissed(chosen, self._judge(found)):
            missed = _others(chosen.missed, shorter.titles)
            chosen = self._rung(shorter.vector, shorter.loss, shorter.score, missed)
            found.append(chosen)
        self.rungs[:] = found
        return chosen

    def _judge(self, rungs: Sequence[WalkedRung]) -> _Judge:
        """Compare with the closest rung."""
        closest = min(rungs, key=lambda rung: rung.loss)
        return _Judge(closest, self._recorder.evaluator.weights, self._named)

    def _unmissed(self, rung: WalkedRung, judge: _Judge) -> _Tried | None:
        """Find something that isn't heard when it is left out, and the rest fitted in earnest."""
        n_each = self._n_each(rung)
        n_tried = int(min((self._left() - n_each) / 3, N_LAST))
        tried = self._look(rung, self._shorter(rung, n_tried))[0] if n_tried > 0 else []
        for one in sorted(tried, key=lambda one: judge.furthest_term(one.score)):
            if not judge.furthest_term(one.score) <= NEARLY * HALF_STEP:
                break
            self._fit(one, n_steps=MOST_STEPS)
            rung.missed[one.titles[0]] = one.loss - rung.loss
            if judge.is_alike(one.vector, one.score):
                return one
        return None

    def _scored(self, vector: FloatArray) -> tuple[float, FloatArray] | None:
        """Score one vector."""
        measured = self._measure(vector[None])
        return None if measured is None else (float(measured[0][0]), measured[1][0])

    def _losses(self, vectors: FloatArray) -> FloatArray:
        """Return losses alone; what can't be afforded is infinitely far."""
        measured = self._measure(vectors)
        return np.full(len(vectors), np.inf) if measured is None else measured[0]

    def _measure(self, vectors: FloatArray) -> tuple[FloatArray, FloatArray, Float32Array] | None:
        """Score vectors with their single differences; None if too few candidates are left."""
        if len(vectors) > self._left():
            return None
        self._row += len(vectors)
        evaluator, is_known = self._recorder.evaluator, self._row <= len(self._recorder.record)
        before_batch = evaluator.before_batch
        if is_known:
            # A round that is taken again isn't stopped before it has come further.
            evaluator.before_batch = lambda: None
        try:
            losses, scores, residuals = self._recorder.measure_residuals(vectors)
        finally:
            evaluator.before_batch = before_batch
        if not is_known:
            self._recorder.add(vectors, losses, scores)
            self._after_batch()
        return losses, scores, residuals


def _others(missed: Mapping[str, float], titles: Sequence[str]) -> dict[str, float]:
    """Keep what is known of everything else."""
    return {title: rise for title, rise in missed.items() if title not in titles}
