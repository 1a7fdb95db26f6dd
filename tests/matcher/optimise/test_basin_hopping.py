"""Basin hopping: many starts, proposals, and exact to go on with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.optimise import (
    BasinHopping,
    Box,
    make_sampler,
    restore_sampler,
    search,
    state_from_bytes,
    state_to_bytes,
)
from shared import ParameterError
from tests.search_functions import optimum, rosenbrock

if TYPE_CHECKING:
    from collections.abc import Callable

    from shared import Float32Array, FloatArray

N_DIMENSIONS = 8
WEIGHTS = np.full(64, 1.0 / 64.0, np.float32)
CENTRE = np.full(N_DIMENSIONS, 0.5)
Differences = "Callable[[FloatArray], FloatArray]"


def bent(candidates: FloatArray) -> FloatArray:
    """Return 64 differences that bend with the parameters; all are 0 at one place."""
    directions = np.random.default_rng(3).standard_normal((64, N_DIMENSIONS))
    away = candidates - optimum(N_DIMENSIONS)
    linear = away @ directions.T
    return 20.0 * (linear + 0.5 * np.sin(3.0 * linear))


def two_valleys(candidates: FloatArray) -> FloatArray:
    """Return differences with a shallow valley at 0.3 of the first dimension, and a deep one."""
    x = candidates[:, :1]
    shallow = 3.0 + 40.0 * np.abs(x - 0.3)
    deep = 200.0 * np.abs(x - 0.9)
    rest = 20.0 * np.abs(candidates[:, 1:] - 0.5)
    return np.concatenate([np.repeat(np.minimum(shallow, deep), 57, axis=1), rest], axis=1)


def narrow_valley(candidates: FloatArray) -> FloatArray:
    """Return differences with a deep valley that two dimensions have to meet together."""
    away = np.abs(candidates[:, :2] - (0.9, 0.2)).max(axis=1, keepdims=True)
    shallow = 3.0 + 10.0 * np.abs(candidates[:, :2] - 0.4).mean(axis=1, keepdims=True)
    deep = 60.0 * away
    rest = 20.0 * np.abs(candidates[:, 2:] - 0.5)
    return np.concatenate([np.repeat(np.minimum(shallow, deep), 58, axis=1), rest], axis=1)


def run(
    sampler: BasinHopping,
    differences: Callable[[FloatArray], FloatArray],
    n_candidates: int,
    weights: Float32Array = WEIGHTS,
) -> tuple[FloatArray, float]:
    """Run a search; all candidates and the lowest loss."""
    seen, lowest, n_left = [], np.inf, n_candidates
    while n_left > 0 and not sampler.is_converged:
        candidates = sampler.ask(min(sampler.preferred_batch, n_left))
        residuals = differences(candidates).astype(np.float32)
        if sampler.needs_residuals:
            sampler.learn(residuals, weights)
        losses = np.abs(residuals) @ weights
        sampler.tell(candidates, losses)
        seen.append(candidates)
        lowest = min(lowest, float(losses.min()))
        n_left -= len(candidates)
    return np.concatenate(seen), lowest


def make(seed: int = 1, **settings: object) -> BasinHopping:
    """Make a sampler that starts from the middle."""
    starts = settings.pop("starts", CENTRE[None, :])
    box = Box.of(N_DIMENSIONS, settings.pop("circular", None), settings.pop("cells", None))  # type: ignore[arg-type]
    return BasinHopping(box, seed=seed, starts=np.array(starts), **settings)  # type: ignore[arg-type]


def is_asking(sampler: BasinHopping, kind: str) -> bool:
    """Whether a sampler has to know something of a kind before its next local search."""
    question = sampler.state()["proposals"]["question"]
    return question is not None and question["kind"] == kind


def test_it_goes_down_a_bent_valley_in_a_few_hundred_candidates() -> None:
    """Slopes of all differences show the way; the strategy needs ten times as many."""
    _, lowest = run(make(), bent, 400)
    strategy = make_sampler("cmaes", N_DIMENSIONS, seed=1, starts=CENTRE[None, :])

    def loss(candidates: FloatArray) -> FloatArray:
        return np.abs(bent(candidates)) @ WEIGHTS

    other = search(loss, strategy, n_evaluations=400).best_loss
    # 0.05: below one step in all differences, absolute values count by their squares.
    assert lowest < 0.05
    assert lowest < 0.1 * other


def test_a_proposal_leads_into_a_valley_that_no_step_reaches() -> None:
    """What is handed in as a proposal is tried, and kept where it is better."""
    rows = np.full((1, N_DIMENSIONS), np.nan)
    rows[0, 0] = 0.85
    start = np.full((1, N_DIMENSIONS), 0.3)
    _, lowest = run(make(starts=start, proposals=rows), two_valleys, 2000)
    assert lowest < 1.0


def test_a_group_is_drawn_anew_until_its_dimensions_meet() -> None:
    """An LFO's rate is right only with its phase: more searches find the valley than without."""
    groups = np.arange(N_DIMENSIONS)[None, :] < 2
    lowest = np.array(
        [
            [run(make(seed, **settings), narrow_valley, 3000)[1] for seed in range(1, 7)]  # type: ignore[arg-type]
            for settings in ({"groups": groups}, {})
        ]
    )
    n_with, n_without = np.count_nonzero(lowest < 0.5, axis=1)
    assert n_with >= 5
    assert n_with >= n_without + 3


def test_only_the_group_is_drawn_anew() -> None:
    """What doesn't belong to it stays at the best point."""
    groups = np.arange(N_DIMENSIONS)[None, :] < 2
    sampler = make(groups=groups)
    while not is_asking(sampler, "best"):
        run(sampler, bent, sampler.preferred_batch)
    drawn = sampler.ask(sampler.preferred_batch)
    assert len(np.unique(drawn[:, 0])) == len(drawn)
    np.testing.assert_array_equal(drawn[:, 2:], np.tile(drawn[0, 2:], (len(drawn), 1)))


def test_only_one_of_a_family_is_refitted() -> None:
    """The same change with other phases: the best of them stands for all."""
    rows = np.full((6, N_DIMENSIONS), np.nan)
    rows[:, 0] = (0.1, 0.2, 0.3, 0.6, 0.7, 0.8)
    sampler = make(proposals=rows, families=np.array([0, 0, 0, 1, 1, 1]))
    while not is_asking(sampler, "slopes"):
        run(sampler, bent, sampler.preferred_batch)
    places = sampler.ask(sampler.preferred_batch)[-2:, 0]
    assert sorted(places > 0.5) == [False, True]


def test_what_does_not_belong_to_a_proposal_is_held_at_first() -> None:
    """The first steps after a proposal move only what its mask says; later ones all."""
    rows = np.full((1, N_DIMENSIONS), np.nan)
    rows[0, 0] = 0.9
    mask = np.arange(N_DIMENSIONS)[None, :] < 3
    sampler = make(proposals=rows, masks=mask)
    widths = []
    while not sampler.is_converged:
        searches = sampler.state()["searches"]
        if sampler.needs_residuals and not is_asking(sampler, "slopes"):
            queue = sampler.ask(sampler.preferred_batch)
            widths.append(int(np.count_nonzero(np.any(queue != queue[0], axis=0))))
            assert widths[-1] <= np.count_nonzero(searches[str(len(searches) - 1)]["free"])
        run(sampler, bent, sampler.preferred_batch)
    assert 3 in widths
    assert N_DIMENSIONS in widths


def test_candidates_stay_in_the_box_and_on_their_steps() -> None:
    """Walls hold, circles close, and stepped dimensions stop at the centres of cells."""
    cells = np.array([0, 0, 0, 0, 0, 3, 12, 0])
    circular = np.arange(N_DIMENSIONS) == 0
    candidates, _ = run(make(cells=cells, circular=circular), bent, 1500)
    assert np.all((candidates >= 0.0) & (candidates <= 1.0))
    for column in (5, 6):
        places = candidates[:, column] * cells[column] - 0.5
        np.testing.assert_allclose(places, np.round(places), atol=1e-9)
    assert len(np.unique(candidates[:, 6])) > 3


def test_the_same_seed_gives_the_same_search() -> None:
    """A search can be repeated from its seed, and another seed goes elsewhere."""
    first, again, other = (run(make(seed), bent, 2500)[0] for seed in (1, 1, 2))
    np.testing.assert_array_equal(first, again)
    n_rows = min(len(first), len(other))
    assert not np.array_equal(first[:n_rows], other[:n_rows])


@pytest.mark.parametrize("n_batches", [0, 2, 9, 60])
def test_a_restored_search_goes_on_as_the_other_would_have(n_batches: int) -> None:
    """In the sweep, at starts, at the end and after proposals: the state holds all."""
    starts = np.random.default_rng(0).random((9, N_DIMENSIONS))
    groups = np.arange(N_DIMENSIONS)[None, :] < 3
    sampler = make(starts=starts, groups=groups, n_searches=5)
    for _ in range(n_batches):
        run(sampler, bent, sampler.preferred_batch)
    restored = restore_sampler(state_from_bytes(state_to_bytes(sampler.state())))
    assert isinstance(restored, BasinHopping)
    np.testing.assert_array_equal(run(sampler, bent, 600)[0], run(restored, bent, 600)[0])


def test_a_state_of_an_earlier_version_goes_on() -> None:
    """Fields had other names: the file was written at commit 218d087, as were its candidates."""
    n_dimensions = 4
    directions = np.random.default_rng(3).standard_normal((24, n_dimensions))

    def differences(candidates: FloatArray) -> FloatArray:
        linear = (candidates - 0.4) @ directions.T
        return 20.0 * (linear + 0.5 * np.sin(3.0 * linear))

    with np.load(Path(__file__).with_name("state_version_4.npz")) as saved:
        state, wanted = state_from_bytes(saved["state"].tobytes()), saved["candidates"]
    assert (state["sampler"], state["version"]) == ("descent", 4)
    sampler = restore_sampler(state)
    assert isinstance(sampler, BasinHopping)
    found, _ = run(sampler, differences, len(wanted), np.full(24, 1.0 / 24.0, np.float32))
    # 1e-6: another machine may add in another way; a restart from elsewhere is off by 0.1.
    np.testing.assert_allclose(found, wanted, atol=1e-6)


def test_a_batch_that_was_cut_is_asked_for_again() -> None:
    """A budget that ends within a batch loses no slopes when it is extended."""
    sampler = make()
    run(sampler, bent, 1)
    whole = sampler.ask(sampler.preferred_batch)
    run(sampler, bent, 3)
    np.testing.assert_array_equal(sampler.ask(sampler.preferred_batch), whole)


def test_it_ends_when_proposals_bring_nothing() -> None:
    """A search that has found the bottom says so."""
    sampler = make()
    run(sampler, bent, 20_000)
    assert sampler.is_converged
    sampler.look_further()
    assert len(run(sampler, bent, 300)[0]) == 300


def test_nothing_that_can_be_heard_is_no_trap() -> None:
    """Where no parameter changes anything, the search makes proposals until it has converged."""
    sampler = make()
    run(sampler, lambda candidates: np.ones((len(candidates), 64)), 3000)
    assert sampler.is_converged


def test_slopes_without_differences_are_refused() -> None:
    """A caller that forgets to hand over the differences is told."""
    sampler = make()
    run(sampler, bent, 1)
    candidates = sampler.ask(sampler.preferred_batch)
    with pytest.raises(ParameterError, match="hand the differences over first"):
        sampler.tell(candidates, rosenbrock(candidates))


def test_more_than_the_batch_can_not_be_asked_for() -> None:
    """A batch belongs together."""
    with pytest.raises(ParameterError, match=r"1 to 1 \(preferred_batch\)"):
        make().ask(2)
