"""One search: sampler, evaluator, record, clock and progress brought together."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from matcher.compiling import compile_side_by_side
from matcher.optimise import BasinHopping, compile_fits, search
from matcher.partial_fit import Movements
from matcher.problem import whole_vectors
from matcher.search.checkpoint import Milestone, Position, Saving
from matcher.search.gates import fit_gates_and_envelopes
from matcher.search.ladder import LadderWalk, WalkedRung, choose, n_settings_of
from matcher.search.onset_search import onset_starts
from matcher.search.proposals import sweep_vectors
from matcher.search.pruning import kept_off, moving_columns, tidy
from matcher.search.recorder import Recorder, SearchState
from matcher.search.stages import GATES_APART, REFIT, LocalSearch, OnsetStage

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from matcher.evaluator import Evaluator
    from matcher.search.checkpoint import Checkpoint
    from matcher.search.stages import Stage
    from shared import FloatArray
    from shared.types import IntArray

__all__ = ["SearchRun"]

# With less than this left of the budget, gates stay as they are.
FEWEST_LEFT = 100
# Correcting gates gets so many candidates at least, in a budget that is small.
FEWEST_FOR_GATES = 60
# On a busy machine an onset search may take long; from this share of the time on it ends.
NEARLY = 0.85
# An onset search takes such a share of what is left at most: its last batch may go beyond that.
MOST_OF_REST = 0.9
# Candidates a second, about, of one note: it decides how widely a search with a time to keep
# looks around before it settles. Where a slow or busy machine tries fewer, what it does counts;
# so many are tried to know.
USUAL_RATE, N_PROBED = 800.0, 32
# Of a time to keep: what partial fits may take, and correcting gates once. Making the patch plain
# gets what the stages leave, and so many candidates at least.
FITS_SHARE, GATES_SHARE, FEWEST_PLAIN = 0.3, 0.04, 100
# Of what the stages leave, the ladder gets this share, and the suggested patch the rest.
LADDER_SHARE = 0.8


class _StopAskedError(Exception):
    """The caller wants the search to end."""


class _BrokenOffError(_StopAskedError):
    """The search ends within a step, which is begun again if it goes on."""


class SearchRun:
    """One search with its record and its clock."""

    def __init__(
        self,
        evaluator: Evaluator,
        starts: FloatArray,
        gates_estimated: Sequence[bool],
        *,
        seconds: float | None,
        evals: int | None,
        progress: bool,
        stop: Callable[[], bool] | None,
        watch: Callable[[SearchRun], object] | None = None,
        movements: Movements | None = None,
        checkpoint: Checkpoint | None = None,
        named: Callable[[FloatArray], Mapping[tuple[int, str], float]] | None = None,
        n_settings: int | None = None,
    ) -> None:
        self.evaluator, self.starts = evaluator, starts
        self.gates_estimated = gates_estimated
        # What differences of a candidate from the notes have a name; for the ladder.
        self._named = named or (lambda _: {})
        self._n_settings = n_settings
        self._movements = movements or Movements(evaluator.problem)
        self.seconds, self.evals = seconds, evals
        self.stop = stop
        self.elapsed_s = 0.0
        look = None if watch is None else (lambda: watch(self))
        self._recorder = Recorder(
            evaluator, seconds=seconds, evals=evals, show=progress, look=look
        )
        self.record = self._recorder.record
        self._scores: FloatArray | None = None
        self._deadline_s: float | None = None
        self._saving = Saving(checkpoint, self._recorder)
        self._at = Position(np.arange(evaluator.problem.n_dimensions), starts[0])

    @property
    def busy_s(self) -> float:
        """Time that went into rendering and scoring, in seconds."""
        return self._recorder.busy_s

    @property
    def n_evaluations(self) -> int:
        """Candidates so far; those that are no rows of the record count by their length."""
        return round(self.record.n_evaluations)

    @property
    def first(self) -> FloatArray:
        """The first candidate."""
        return np.array(self.record.candidates[0])

    @property
    def found(self) -> FloatArray:
        """The candidate that a search that has ended gives: what does nothing is neutral."""
        return self.best if self._at.final is None else tidy(self.evaluator.problem, self.best)

    @property
    def ladder(self) -> tuple[WalkedRung, ...]:
        """The rungs, longest first: each is closer than shorter ones, but for what is found."""
        at = self._at
        if at.final is None or not at.rungs:
            return ()
        n_settings = n_settings_of(self.evaluator.problem, at.final)
        final = replace(
            at.rungs[at.i_chosen], vector=at.final, loss=at.final_loss, n_settings=n_settings
        )
        kept: list[WalkedRung] = []
        for rung in sorted([final, *at.rungs], key=lambda rung: rung.n_settings):
            if rung is final:
                kept.append(rung)
            elif rung.n_settings != n_settings and all(rung.loss < r.loss for r in kept):
                kept = [r for r in kept if r.n_settings != rung.n_settings]
                kept.append(rung)
        return tuple(reversed(kept))

    @property
    def is_ladder_whole(self) -> bool:
        """Whether the ladder was walked down to its end."""
        return self._at.is_whole

    @property
    def milestones(self) -> tuple[Milestone, ...]:
        """The start and the ends of the steps so far, but the last."""
        return tuple(self._at.milestones)

    @property
    def best(self) -> FloatArray:
        """The best candidate so far; once parts were switched off, the best plain one."""
        if self._at.final is not None:
            return self._at.final
        return np.array(self.record.candidates[int(np.argmin(self.record.losses))])

    def state(self) -> SearchState:
        """Describe this moment: what was tried, and the best so far."""
        loss = np.min(self.record.losses) if self._at.final is None else self._at.final_loss
        return self._recorder.state(self.best, float(loss))

    def search(
        self, sampler_name: str, seed: int, plan: tuple[Stage, ...], *, is_plain: bool
    ) -> str:
        """Go through the stages until the budget is used, and say why it ended.

        With `is_plain`, what the stages leave of the budget goes into a plainer patch. What the
        checkpoint holds is gone on with.
        """
        # The first calls compile, or load what was compiled; that is not the search's time.
        with self._recorder.progress.slow(
            "compiling the voice, once after an install; the search's time begins after that"
        ):
            compile_side_by_side()
            self.evaluator.compile(self.starts[0])
            compile_fits()
            self._movements.compile()
        self._name, self._seed, self._plan = sampler_name, seed, plan
        self._is_plain, reason = is_plain, ""
        self._recorder.start_clock(0.0)
        if self.seconds is not None:
            self._recorder.measure(np.repeat(self.starts[:1], N_PROBED, axis=0))
        self._movements.prepare(
            self._n_left(plan[0].share),
            is_timed=self.evals is None,
            is_over=self._ends_fits,
            stop=self.stop,
        )
        restored = self._saving.restore(self._n_steps)
        if restored is not None:
            self._at, reason = restored
        self.evaluator.before_batch = self._break_off
        is_whole = True
        try:
            with self._recorder.progress:
                reason = self._take_steps() or reason
        except _StopAskedError as error:
            reason, is_whole = "callback", not isinstance(error, _BrokenOffError)
        except KeyboardInterrupt:
            if not len(self.record):
                raise
            reason = "interrupted"
        finally:
            self.evaluator.before_batch = lambda: None
        self.elapsed_s = self._recorder.elapsed_s
        # In the middle of a step: what was saved last is whole, this moment isn't.
        if is_whole and reason != "interrupted":
            self._saving.save(self._at, reason="" if reason == "callback" else reason, wait=True)
        if self._at.final is None and self._at.rungs:
            # Stopped on the way down: what is there can be chosen from, and isn't saved.
            self._end_with(choose(self._at.rungs, self.evaluator.weights, self._named,
                                  n_settings=self._n_settings))  # fmt: skip
        return "stopped" if reason == "callback" else reason

    def made_plainer(self, before: FloatArray, *, n_most: int | None, most_s: float) -> FloatArray:
        """Switch off again what was off `before` the search, unless it is heard."""
        if n_most is None:
            n_most = round(most_s * self._rate)
        with self._recorder.apart():
            return kept_off(
                self.evaluator.problem,
                before,
                self.best,
                float(np.min(self.record.losses)),
                self.evaluator.losses,
                n_evaluations=n_most,
            )

    @property
    def _n_steps(self) -> int:
        """Number of steps: the stages, the ladder, and a last fit of the suggested patch."""
        return len(self._plan) + 2 * self._is_plain

    def _take_steps(self) -> str:
        """Go on from step to step; say why the last one ended."""
        at = self._at
        if self.stop is not None:
            # Whoever asks has something to keep from here on (see `matcher.interrupts`).
            self.stop()
        if not len(self.record):
            self._recorder.score(self.starts[: self.evals])
            at.milestones.append(Milestone("start", "start", self.first))
            at.enter(0, len(self.record))
            self._saving.save(at)
        reason = ""
        while at.step < self._n_steps:
            reason = self._take_step()
            if reason == "callback":
                break
            is_last = at.step == self._n_steps - 1
            is_stage = at.step < len(self._plan) and not is_last
            if len(self.record) > at.first_row and is_stage:
                title = self._plan[at.step].name
                at.milestones.append(Milestone("stage", title, self.best))
            if is_last:
                at.step += 1  # its sampler stays, to be gone on with if the budget grows
            else:
                at.enter(at.step + 1, len(self.record))
            self._saving.save_if_due(self._at)
        return reason

    def _take_step(self) -> str:
        """Take the step at work from where it is; say why it ended."""
        number = self._at.step
        if number == len(self._plan):
            self._shorten()
            return "evaluations"
        if not self._at.has_begun:
            self._begin(number)
        stage = self._plan[number] if number < len(self._plan) else None
        share = 1.0 if stage is None else sum(s.share for s in self._plan[: number + 1])
        reason = self._search_stage(share)
        if stage is not None and stage.fits_gates and reason != "callback":
            self._fit_gates()
        return reason

    def _begin(self, number: int) -> None:
        """Say what moves in a step, and make its sampler: a stage, or the refit."""
        problem, best, is_refit = self.evaluator.problem, self.best, number >= len(self._plan)
        stage = REFIT if is_refit else self._plan[number]
        n_left, seed = self._n_left(stage.share), _step_seed(self._seed, number - is_refit)
        starts = self.starts if number == 0 else best[None, :]
        columns = moving_columns(problem, best) if is_refit else stage.columns(problem)
        proposals = self._movements.proposals()
        if isinstance(stage, OnsetStage):
            moving = columns if is_refit else None
            found = self._onsets(stage, best, seed, moving)
            starts, proposals = np.concatenate([starts, found]), proposals[:0]
        base = starts[0]
        grids = self._grids(stage, base, n_left)
        if number == 0 and isinstance(stage, LocalSearch):
            n_swept = self._movements.n_swept(n_left)
            if n_swept:
                swept = sweep_vectors(problem, base, n_swept, seed=seed)
                grids.append(self._movements.starts(swept))
        begun = stage.starts(problem, base, grids, n_left=n_left, seed=seed)
        rows = np.concatenate([begun, starts[1:]])
        proposals = np.concatenate([stage.proposals(problem, base, grids), proposals])
        sampler = None
        if len(columns):
            sampler = stage.sampler(
                problem, columns, rows, proposals, name=self._name, seed=seed, n_left=n_left
            )
            if sampler.slowdown_note:
                self._recorder.progress.say(sampler.slowdown_note)
        self._at.begin(columns, base, sampler)

    def _onsets(
        self, stage: OnsetStage, best: FloatArray, seed: int, moving: IntArray | None
    ) -> FloatArray:
        """Search the onset around the best so far, if there is time, or what a count is for."""
        if self._is_nearly_over() or not self._movements.notes:
            return best[None][:0]
        n_most = None
        if self.evals is not None:
            n_left = self.evals - self.record.n_evaluations
            n_most = min(stage.onset_apart * self.evals, MOST_OF_REST * n_left)
        with self._recorder.apart():
            return onset_starts(
                self.evaluator,
                self._movements.notes,
                best,
                self._movements.proposals(),
                n_stage=self._n_of_onset(stage),
                n_most=n_most,
                seed=seed,
                moving=moving,
                is_over=self._is_nearly_over,
            )

    def _n_left(self, share: float) -> int:
        """Say how many candidates a share of the budget is; about, if the budget is a time."""
        if self.evals is not None:
            return round(self._n_recorded * share)
        return round((self.seconds or 0.0) * share * self._rate)

    @property
    def _rate(self) -> float:
        """Candidates a second, as usual or as this machine manages, if that is less."""
        return min(USUAL_RATE / self.evaluator.problem.n_notes, self._recorder.rate)

    def _n_of_onset(self, stage: OnsetStage) -> int:
        """Say how many candidates decide whether an onset is searched, and how thoroughly."""
        if self.evals is not None:
            return round(stage.onset_share * stage.share * self.evals)
        return round(stage.onset_share * self._n_left(stage.share))

    @property
    def _n_recorded(self) -> float:
        """Part of a counted budget for recorded candidates; what is apart has the rest."""
        steps = (*self._plan, REFIT) if self._is_plain else self._plan
        n_each = (self.evals or 0) * self.evaluator.problem.n_notes
        apart = sum(stage.share_apart(n_each) for stage in steps)
        return (self.evals or 0) * (1.0 - apart)

    def _grids(self, stage: Stage, base: FloatArray, n_left: int) -> list[FloatArray]:
        """Make the phase grids; of several notes, each one's best phases are put together."""
        grids = stage.grids(self.evaluator.problem, base, n_left=n_left)
        n_rows = sum(len(grid.rows) for grid in grids)
        left = np.inf if self.evals is None else self.evals - self.record.n_evaluations
        if self.evaluator.problem.n_notes == 1 or left <= n_rows:
            return [grid.rows for grid in grids]
        return [grid.best_of_each_note(self._recorder.score_notes(grid.rows)) for grid in grids]

    def _fit_gates(self) -> None:
        """Correct the estimated gates, and record the best candidate as it fits to them."""
        if self.evals is None:
            if self._is_nearly_over():
                return
            n_most = max(GATES_SHARE * (self.seconds or 0.0) * self._rate, FEWEST_FOR_GATES)
        else:
            n_most = max(GATES_APART * self.evals, FEWEST_FOR_GATES)
            if self.evals - self.record.n_evaluations < FEWEST_LEFT + n_most:
                return
        before_s = [note.gate_s for note in self.evaluator.notes]
        with self._recorder.apart():
            try:
                fitted = fit_gates_and_envelopes(
                    self.evaluator,
                    self.best,
                    self.gates_estimated,
                    is_near=self._at.step > 0,
                    n_most=n_most,
                )
            except (_StopAskedError, KeyboardInterrupt):
                # The best so far was found with these.
                self.evaluator.set_gates(before_s)
                raise
        self._recorder.score(fitted[None, :])

    def _shorten(self) -> None:
        """Walk down the ladder, and settle on the steps of a panel."""
        at = self._at
        n_left, rows_left = self._rest_of_budget()
        walk = LadderWalk(
            self._recorder,
            at.rungs,
            at.first_row,
            named=self._named,
            n_rows=LADDER_SHARE * n_left,
            n_settings=self._n_settings,
            rows_left=lambda: rows_left() - (1.0 - LADDER_SHARE) * n_left,
            after_batch=self._after_tries,
        )
        chosen = walk.take()
        at.is_whole = walk.is_whole
        final, loss = chosen.vector, chosen.loss
        if self.evaluator.problem.structure.controls:
            n_steps = int(0.5 * min(n_left - walk.n_tried, rows_left()))
            final, loss = walk.settle(chosen, n_steps)
        self._end_with(chosen)
        at.final, at.final_loss = final, loss

    def _end_with(self, chosen: WalkedRung) -> None:
        """Let a rung be what the search gives."""
        at = self._at
        at.i_chosen = next(i for i, rung in enumerate(at.rungs) if rung is chosen)
        at.final, at.final_loss = chosen.vector, chosen.loss

    def _rest_of_budget(self) -> tuple[float, Callable[[], float]]:
        """Say how many candidates the ladder and the last fit have, and how many a time still has.

        Of a time it is about so many, as fast as it went so far.
        """
        n_rows = len(self.record)
        if self.evals is not None:
            return self.evals - self._at.first_row - self.record.n_apart, lambda: np.inf

        def rows_left() -> float:
            return ((self.seconds or 0.0) - self._recorder.elapsed_s) * self._rate

        # Where the stages took all of it, some are tried nevertheless.
        more = max(FEWEST_PLAIN - rows_left(), 0.0)
        return rows_left() + more + n_rows - self._at.first_row, lambda: rows_left() + more

    def _after_tries(self) -> None:
        """Save the search if it is time, and end it if the caller wants that."""
        self._saving.save_if_due(self._at)
        if self.stop is not None and self.stop():
            raise _StopAskedError

    def _break_off(self) -> None:
        """End the search before a batch of whatever kind, once there is something to keep."""
        if len(self.record) and self.stop is not None and self.stop():
            raise _BrokenOffError

    def _ends_fits(self) -> bool:
        """Whether no further partial fit is to begin."""
        is_timed = self.seconds is not None
        return is_timed and self._recorder.elapsed_s > FITS_SHARE * (self.seconds or 0.0)

    def _search_stage(self, share: float) -> str:
        """Search as the step says until `share` of the budget is used."""
        sampler = self._at.sampler
        left = None
        if self.evals is not None:
            is_last = self._at.step == self._n_steps - 1
            n_recorded = round(self._n_recorded * share) - len(self.record)
            left = int(self.evals - self.record.n_evaluations)
            left = left if is_last else min(left, n_recorded)
        if sampler is None or (left is not None and left < 1):
            return "evaluations"
        deadline = self._is_over if self.seconds is not None else None
        self._deadline_s = self._movements.deadline_s(self.seconds or 0.0, share)
        result = search(
            self._evaluate, sampler, n_evaluations=left, deadline=deadline,
            on_batch=self._after_batch,
        )  # fmt: skip
        return str(result.stop_reason)

    def _complete(self, candidates: FloatArray) -> FloatArray:
        """Put the moving entries of candidates into whole vectors."""
        return whole_vectors(self._at.base, self._at.columns, candidates)

    def _evaluate(self, candidates: FloatArray) -> FloatArray:
        """Score a batch and keep its parts for the record."""
        vectors, sampler = self._complete(candidates), self._at.sampler
        if isinstance(sampler, BasinHopping) and sampler.needs_residuals:
            losses, self._scores, residuals = self._recorder.measure_residuals(vectors)
            sampler.learn(residuals, self.evaluator.residual_weights)
        else:
            losses, self._scores = self._recorder.measure(vectors)
        return losses

    def _is_over(self) -> bool:
        """Whether the time of this stage is used up."""
        if not len(self.record):
            return False  # something is tried, however little time there is
        return self._recorder.elapsed_s >= (self._deadline_s or 0.0)

    def _is_nearly_over(self) -> bool:
        """Whether so little time is left that the rest is needed to finish."""
        return self.seconds is not None and self._recorder.elapsed_s > NEARLY * self.seconds

    def _after_batch(self, candidates: FloatArray, losses: FloatArray) -> bool:
        """Record a batch, show it, and save it if it is time."""
        vectors = self._complete(candidates)
        self._recorder.add(vectors, losses, self._scores)
        best = int(np.argmin(losses))
        at = self._at
        if at.final is not None and losses[best] < at.final_loss:
            at.final = vectors[best]
            at.final_loss = float(losses[best])
        self._saving.save_if_due(self._at)
        return self.stop is not None and self.stop()


def _step_seed(seed: int, number: int) -> int:
    """Seed of one step; no two steps of any two searches share one by being neighbours."""
    return int(np.random.SeedSequence((seed, number)).generate_state(1)[0])
