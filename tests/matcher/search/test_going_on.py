"""A search that was cut off anywhere goes on to the very same patch."""

from __future__ import annotations

from concurrent.futures import Future
from itertools import count
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

import matcher.losses.terms
import matcher.search.checkpoint
import matcher.search.recorder
from matcher import match
from matcher.evaluator import Evaluator
from matcher.optimise import SAMPLER_NAMES
from matcher.search.checkpoint import Checkpoint
from matcher.target import Target, target_from_signal
from shared import RunFolderError
from tests.matcher.small_match import RATE_HZ, played_note

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from matcher import MatchResult
    from shared import FloatArray

pytestmark = pytest.mark.slow

EVALS = 240
SETTINGS: dict[str, Any] = {
    "structure": "one-oscillator", "evals": EVALS, "seed": 5, "progress": False,
}  # fmt: skip
# How often the uninterrupted search scores something.
N_CALLS = [0]


class CutOffError(Exception):
    """Stands for a process that ends without a word."""


@pytest.fixture(scope="module")
def target() -> Target:
    """Return a note whose gate is estimated, so that it is fitted, too."""
    return Target((target_from_signal(played_note(), RATE_HZ, name="reed", velocity=90),))


@pytest.fixture(scope="module")
def whole(target: Target) -> MatchResult:
    """Return the search that nothing interrupts, and count how often it scores."""
    N_CALLS[0] = 0

    def count_call() -> None:
        N_CALLS[0] += 1

    with pytest.MonkeyPatch.context() as patch:
        _before_scoring(patch, count_call)
        return match(target, **SETTINGS)


def _before_scoring(patch: pytest.MonkeyPatch, act: Callable[[], None]) -> None:
    """Do something before each scoring, whatever step the search is in."""
    for name in ("scores", "losses_and_residuals"):
        real = getattr(Evaluator, name)

        def scored(
            self: Evaluator, vectors: FloatArray, real: Callable[..., object] = real
        ) -> object:
            act()
            return real(self, vectors)

        patch.setattr(Evaluator, name, scored)


def _cut_off_after(patch: pytest.MonkeyPatch, n_calls: int, error: type[BaseException]) -> None:
    """Let scoring fail at the given call."""
    counted = count()

    def fail_at_last() -> None:
        if next(counted) == n_calls:
            raise error

    _before_scoring(patch, fail_at_last)


def _assert_same(result: MatchResult, whole: MatchResult) -> None:
    """Compare what comes of two searches, to the bit."""
    assert result.patch == whole.patch
    assert result.end == whole.end
    assert [s.title for s in result.stages] == [s.title for s in whole.stages]
    assert [s.patch for s in result.stages] == [s.patch for s in whole.stages]
    np.testing.assert_array_equal(result.record.candidates, whole.record.candidates)
    np.testing.assert_array_equal(result.record.losses, whole.record.losses)
    assert np.all(np.diff(result.record.elapsed_s) >= 0.0)


# In the first stage, while gates are fitted, in later stages, while parts go back to neutral, and
# in the refit; saved after each batch, or only at the start.
@pytest.mark.parametrize("every_s", [0.0, 1000.0])
@pytest.mark.parametrize("share", [0.04, 0.3, 0.7, 0.97])
def test_a_search_cut_off_anywhere_gives_the_same_patch(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    whole: MatchResult,
    share: float,
    every_s: float,
) -> None:
    """With every batch saved or only some, going on ends in the same record and patch."""
    with monkeypatch.context() as patch, Checkpoint(tmp_path, every_s=every_s) as saved:
        _cut_off_after(patch, round(share * N_CALLS[0]) - 1, CutOffError)
        with pytest.raises(CutOffError):
            match(whole.target, **SETTINGS, checkpoint=saved)
    with Checkpoint(tmp_path) as saved:
        _assert_same(match(whole.target, **SETTINGS, checkpoint=saved), whole)


def test_ctrl_c_in_the_middle_of_a_batch_loses_nothing_that_was_saved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, target: Target, whole: MatchResult
) -> None:
    """KeyboardInterrupt gives the best so far, and the search can still be gone on with."""
    with monkeypatch.context() as patch, Checkpoint(tmp_path, every_s=0.0) as saved:
        _cut_off_after(patch, N_CALLS[0] // 3, KeyboardInterrupt)
        result = match(target, **SETTINGS, checkpoint=saved)
    assert result.stop_reason == "interrupted"
    with Checkpoint(tmp_path) as saved:
        _assert_same(match(target, **SETTINGS, checkpoint=saved), whole)


def test_stopping_again_and_again_changes_nothing(
    tmp_path: Path, target: Target, whole: MatchResult
) -> None:
    """A search that is asked to stop at every few batches ends as if it never had been."""
    result = None
    n_parts = 0
    # A step is what is gone on from: it takes up to six batches.
    while result is None or (result.stop_reason == "stopped" and n_parts < 100):
        batches = iter(range(12))
        with Checkpoint(tmp_path) as saved:
            result = match(
                target,
                **SETTINGS,
                checkpoint=saved,
                stop=lambda it=batches: next(it, None) is None,
            )
        n_parts += 1
    assert n_parts > 3
    _assert_same(result, whole)


def test_a_search_that_has_ended_is_not_searched_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, target: Target, whole: MatchResult
) -> None:
    """Going on with a finished search gives its result; two calls warm up and measure it."""
    with Checkpoint(tmp_path) as saved:
        match(target, **SETTINGS, checkpoint=saved)
    _cut_off_after(monkeypatch, 2, CutOffError)
    with Checkpoint(tmp_path) as saved:
        result = match(target, **SETTINGS, checkpoint=saved)
    _assert_same(result, whole)
    assert result.stop_reason == "evaluations"


def test_a_larger_budget_goes_on_from_the_end(
    tmp_path: Path, target: Target, whole: MatchResult
) -> None:
    """The first evaluations are the same, so many more follow, and the loss doesn't rise."""
    more = {**SETTINGS, "evals": EVALS + 96}
    with Checkpoint(tmp_path) as saved:
        match(target, **SETTINGS, checkpoint=saved)
    with Checkpoint(tmp_path) as saved:
        result = match(target, **more, checkpoint=saved)
    assert result.n_evaluations == EVALS + 96
    np.testing.assert_array_equal(result.record.losses[: len(whole.record)], whole.record.losses)
    assert result.end.total <= whole.end.total


class Clock:
    """A clock that stands still between evaluations."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def monotonic(self) -> float:
        """Tell the time."""
        return self.now_s

    def perf_counter(self) -> float:
        """Tell the time."""
        return self.now_s


class InstantExecutor:
    """A thread that always has time to write while a batch is evaluated."""

    def __init__(self, *_: object, **__: object) -> None:
        pass

    def submit(self, function: Callable[..., None], *arguments: object) -> Future[None]:
        """Do it at once."""
        done: Future[None] = Future()
        done.set_result(function(*arguments))
        return done

    def shutdown(self, *, wait: bool) -> None:
        """Have nothing left to do."""


@pytest.mark.parametrize("batch_s", [0.04, 1.3])
def test_at_most_five_seconds_of_search_are_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, target: Target, batch_s: float
) -> None:
    """At each evaluation of the search, what is saved is at most 5 s old."""
    clock = Clock()
    for module in (matcher.search.checkpoint, matcher.search.recorder):
        monkeypatch.setattr(module, "time", clock)
    monkeypatch.setattr(matcher.search.checkpoint, "ThreadPoolExecutor", InstantExecutor)
    real = Evaluator.losses_and_scores
    ages_s = []

    def scored(self: Evaluator, vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
        with Checkpoint(tmp_path) as looked:
            loaded = looked.load()
        if loaded is not None:
            ages_s.append(clock.now_s - loaded[0]["elapsed_s"])
        clock.now_s += batch_s * len(vectors) / 32.0
        return real(self, vectors)

    with Checkpoint(tmp_path) as saved:
        monkeypatch.setattr(Evaluator, "losses_and_scores", scored)
        match(target, **{**SETTINGS, "evals": 800}, checkpoint=saved)
    assert len(ages_s) > 20
    # One batch more is at work when a process ends.
    assert max(ages_s) + batch_s <= 5.0


@pytest.mark.parametrize("sampler", sorted(set(SAMPLER_NAMES) - {"staged"}))
def test_other_samplers_go_on_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, target: Target, sampler: str
) -> None:
    """Samplers of others, which have no stages, end in the same patch as well."""
    settings = {**SETTINGS, "sampler": sampler, "evals": 64}
    whole = match(target, **settings)
    with monkeypatch.context() as patch, Checkpoint(tmp_path, every_s=0.0) as saved:
        _cut_off_after(patch, 3, CutOffError)
        with pytest.raises(CutOffError):
            match(target, **settings, checkpoint=saved)
    with Checkpoint(tmp_path) as saved:
        _assert_same(match(target, **settings, checkpoint=saved), whole)


def test_a_search_with_other_distances_is_not_gone_on_with(
    target: Target, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Old and new distances would be mixed; one line says what differs and what to do."""
    settings = {**SETTINGS, "evals": 40}

    def go_on(message: str) -> None:
        with (
            Checkpoint(tmp_path) as checkpoint,
            pytest.raises(RunFolderError, match=f"{message}.*earwright refine"),
        ):
            match(target, **settings, checkpoint=checkpoint)

    with Checkpoint(tmp_path) as checkpoint:
        match(target, **settings, checkpoint=checkpoint)
        state, rows = checkpoint.load() or ({}, np.empty((0, 0)))
    with monkeypatch.context() as after:
        after.setattr(matcher.losses.terms, "LOSS_VERSION", "0")
        go_on("scales or weights differ .version .* then, 0 now")
    # A file from before there was a version says it by its figures alone.
    del state["loss"]
    monkeypatch.setattr(Checkpoint, "load", lambda _: (state, rows[:, :-1]))
    go_on("figures were kept for each try then")
