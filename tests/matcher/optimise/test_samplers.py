"""The contract that every sampler keeps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matcher.optimise import (
    SAMPLER_NAMES,
    Sampler,
    check_sampler,
    current_sampler,
    make_sampler,
    restore_sampler,
    search,
    state_from_bytes,
    state_to_bytes,
)
from shared.errors import ParameterError
from tests.search_functions import sphere

if TYPE_CHECKING:
    from shared.types import FloatArray

N_DIMENSIONS = 6
CELLS = [0, 0, 5, 2, 0, 1]
CIRCULAR = [True, False, False, False, False, False]
STARTS = [[0.25, 0.5, 0.9, 0.75, 0.0, 0.5], [0.0, 1.0, 0.1, 0.25, 0.5, 0.5]]
each_sampler = pytest.mark.parametrize("name", ["cmaes", *SAMPLER_NAMES[1:]])


def _make(
    name: str,
    *,
    seed: int = 7,
    **settings: Any,  # noqa: ANN401 (as make_sampler takes them)
) -> Sampler:
    """Make a sampler over circular, plain and stepped dimensions."""
    return make_sampler(name, N_DIMENSIONS, seed=seed, cells=CELLS, circular=CIRCULAR, **settings)


def _run(sampler: Sampler, sizes: list[int]) -> FloatArray:
    """Ask for batches of given sizes, tell their losses, and return all candidates."""
    batches = []
    for size in sizes:
        batches.append(sampler.ask(size))
        sampler.tell(batches[-1], sphere(batches[-1]))
    return np.concatenate(batches)


@each_sampler
def test_it_is_a_sampler(name: str) -> None:
    """Every name makes an object with the whole interface."""
    sampler = _make(name)
    assert isinstance(sampler, Sampler)
    assert sampler.name == name
    assert sampler.n_dimensions == N_DIMENSIONS
    assert sampler.preferred_batch % 16 == 0


@each_sampler
@pytest.mark.parametrize("size", [1, 25])
def test_ask_gives_as_many_candidates_in_the_box_as_wanted(name: str, size: int) -> None:
    """Candidates lie in [0, 1], one row for each."""
    candidates = _run(_make(name), [size, size])
    assert candidates.shape == (2 * size, N_DIMENSIONS)
    assert np.all((candidates >= 0.0) & (candidates <= 1.0))


@each_sampler
def test_stepped_dimensions_stand_at_the_centres_of_their_cells(name: str) -> None:
    """Where only so many values exist, no candidate lies between two of them."""
    candidates = _run(_make(name), [32, 32])
    for column, n_cells in enumerate(CELLS):
        if n_cells:
            centres = (np.arange(n_cells) + 0.5) / n_cells
            assert set(candidates[:, column]) <= set(centres)
            assert len(set(candidates[:, column])) == n_cells


@each_sampler
def test_the_same_seed_gives_the_same_search(name: str) -> None:
    """A search can be repeated from its seed."""
    sizes = [16, 16, 16]
    np.testing.assert_array_equal(_run(_make(name), sizes), _run(_make(name), sizes))


@each_sampler
def test_it_improves_on_its_own_first_batch(name: str) -> None:
    """More evaluations find a lower loss on a paraboloid."""
    losses = sphere(_run(_make(name), [16] * 6))
    assert losses.min() < losses[:16].min()


@each_sampler
def test_starts_are_proposed_first(name: str) -> None:
    """What the analysis of the target suggests is evaluated before anything else."""
    candidates = _make(name, starts=STARTS).ask(4)
    # Only the two stepped columns may move, to the centre of the cell that holds the start.
    np.testing.assert_allclose(candidates[:2], STARTS, atol=1e-12)


@each_sampler
@pytest.mark.parametrize("worst", [np.nan, np.inf, -np.inf], ids=["nan", "inf", "-inf"])
def test_losses_that_are_not_finite_are_tolerated(name: str, worst: float) -> None:
    """A candidate that couldn't be scored neither stops the search nor attracts it."""
    sampler = _make(name)

    def objective(candidates: FloatArray) -> FloatArray:
        return np.where(candidates[:, 1] > 0.6, worst, sphere(candidates))

    result = search(objective, sampler, n_evaluations=64)
    assert np.isfinite(result.best_loss)
    assert result.best[1] <= 0.6


@each_sampler
def test_a_batch_without_any_finite_loss_is_tolerated(name: str) -> None:
    """The search survives a first batch that says nothing."""
    sampler = _make(name)
    first = sampler.ask(32)
    sampler.tell(first, np.full(32, np.nan))
    assert np.all(np.isfinite(_run(sampler, [32, 32])))


@each_sampler
@pytest.mark.parametrize("n_batches", [1, 3])
def test_a_restored_sampler_goes_on_as_the_other_would_have(name: str, n_batches: int) -> None:
    """An interrupted search gives the same candidates as an uninterrupted one."""
    sampler = _make(name, starts=STARTS)
    _run(sampler, [16] * n_batches)
    restored = restore_sampler(state_from_bytes(state_to_bytes(sampler.state())))
    sizes = [16, 7]
    np.testing.assert_array_equal(_run(restored, sizes), _run(sampler, sizes))


@each_sampler
def test_a_sampler_can_be_saved_between_ask_and_tell(name: str) -> None:
    """A state holds the candidates whose losses are still to come."""
    sampler = _make(name, starts=STARTS)
    _run(sampler, [16])
    candidates = sampler.ask(16)
    restored = restore_sampler(state_from_bytes(state_to_bytes(sampler.state())))
    for each in (sampler, restored):
        each.tell(candidates[:5], sphere(candidates[:5]))
        each.tell(candidates[5:], sphere(candidates[5:]))
    np.testing.assert_array_equal(_run(restored, [16]), _run(sampler, [16]))


@each_sampler
def test_changing_what_ask_returned_changes_nothing_inside(name: str) -> None:
    """Callers may overwrite their candidates."""
    sampler, untouched = _make(name), _make(name)
    candidates = sampler.ask(16)
    kept = candidates.copy()
    candidates[:] = 0.5
    sampler.tell(kept, sphere(kept))
    _run(untouched, [16])
    np.testing.assert_array_equal(sampler.ask(16), untouched.ask(16))


@each_sampler
def test_other_candidates_than_asked_are_refused(name: str) -> None:
    """A mix-up of candidates and losses can't go unnoticed."""
    sampler = _make(name)
    candidates = sampler.ask(16)
    with pytest.raises(ParameterError, match="unchanged and in the same order"):
        sampler.tell(candidates[::-1], sphere(candidates))
    with pytest.raises(ParameterError, match="16 asked for"):
        sampler.tell(np.concatenate([candidates, candidates]), np.zeros(32))


@each_sampler
def test_too_few_losses_are_refused(name: str) -> None:
    """Each candidate needs its loss."""
    sampler = _make(name)
    candidates = sampler.ask(16)
    with pytest.raises(ParameterError, match=r"they must have \(16,\)"):
        sampler.tell(candidates, sphere(candidates)[:15])


@each_sampler
def test_asking_for_no_candidate_is_refused(name: str) -> None:
    """A batch has at least one candidate."""
    with pytest.raises(ParameterError, match="n_candidates is 0"):
        _make(name).ask(0)


@each_sampler
def test_what_slows_down_says_so(name: str) -> None:
    """The user is told before a choice that costs time, and only then."""
    sampler = _make(name)
    assert not sampler.slowdown_note or sampler.slowdown_note.startswith(f"{name} takes longer")


def test_tpe_slows_down_and_the_default_does_not() -> None:
    """TPE weighs all candidates that it has seen for each new one."""
    assert _make("tpe").slowdown_note
    assert not _make("cmaes").slowdown_note


def test_another_proposal_of_the_library_is_refused() -> None:
    """A state that the installed Optuna can't repeat isn't continued with other candidates."""
    sampler = _make("qmc")
    _run(sampler, [16])
    state = sampler.state()
    state["candidates"][3, 0] += 0.001
    with pytest.raises(ParameterError, match="Install that version"):
        restore_sampler(state)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("stage", "'stage' isn't known; it must be one of staged, .* Did you mean staged"),
        ("cmaes", "'cmaes' is called 'staged' now"),
    ],
)
def test_what_a_match_does_not_search_with_is_refused(name: str, message: str) -> None:
    """Also under the name that the default had before: only files may say that."""
    for known in SAMPLER_NAMES:
        check_sampler(known)
        assert current_sampler(known) == known
    with pytest.raises(ParameterError, match=message):
        check_sampler(name)
    assert current_sampler("cmaes") == SAMPLER_NAMES[0]


@pytest.mark.parametrize(
    ("changes", "message"),
    [({"sampler": "annealing"}, "annealing"), ({"version": 99}, "version 99; it must be 1")],
)
@each_sampler
def test_a_state_of_something_else_is_refused(
    name: str, changes: dict[str, Any], message: str
) -> None:
    """A checkpoint of another program version isn't guessed at."""
    with pytest.raises(ParameterError, match=message):
        restore_sampler(_make(name).state() | changes)
