"""Jumps: what is tried that no small step reaches, as vectors of a problem."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.problem import Problem
from matcher.search.jumps import (
    GROUPS,
    JUMPS,
    START_VARIANTS,
    fan_vectors,
    jump_groups,
    jump_vectors,
    meet_notes,
)
from shared import CATALOGUE, PHASE_NAMES
from voice import load_structure


def problem_of(name: str, n_notes: int = 2) -> Problem:
    """Return the whole space of a structure."""
    structure = load_structure(name)
    return Problem(structure, structure.space, structure.complete({}), n_notes)


def test_every_jump_names_parameters_of_the_catalogue() -> None:
    """A misspelt name would be left out without a word; values lie within the ranges."""
    for jump in (*JUMPS, *START_VARIANTS):
        for name, value in jump.items():
            assert CATALOGUE[name].low <= value <= CATALOGUE[name].high


@pytest.mark.parametrize(("patterns", "phases"), GROUPS, ids=lambda x: x[0] if x else "no phase")
def test_every_group_has_parameters(patterns: tuple[str, ...], phases: tuple[str, ...]) -> None:
    """Each pattern of a group fits something, and its phases exist."""
    for pattern in patterns:
        assert len(CATALOGUE.only(pattern)) > 0
    assert set(phases) <= set(PHASE_NAMES)


def test_a_group_holds_the_phases_of_every_note() -> None:
    """Nothing ties the notes to each other, so all of them are drawn anew."""
    problem = problem_of("complete")
    groups = jump_groups(problem)
    assert groups.shape == (len(GROUPS), problem.n_dimensions)
    vibrato = groups[0]
    names = {name for name, is_in in zip(problem.space.names, vibrato, strict=False) if is_in}
    assert names == {
        f"osc1.vibrato.{name}"
        for name in (
            *("rate_hz", "depth_cents", "delay_s", "rate_env_octaves"),
            *("rate_key_track_ratio", "depth_key_track_ratio"),
        )
    }
    phases = vibrato[len(problem.space) :].reshape(2, len(problem.phase_columns))
    columns = [problem.phase_columns[i] for i in np.flatnonzero(phases[0])]
    assert [PHASE_NAMES[column] for column in columns] == ["osc1.vibrato.phase"]
    np.testing.assert_array_equal(phases[0], phases[1])


def test_a_structure_has_the_groups_of_its_parts() -> None:
    """One plain oscillator has no second one to be drawn anew."""
    problem = problem_of("one-oscillator", 1)
    groups = jump_groups(problem)
    assert 0 < len(groups) < len(GROUPS)
    assert np.all(groups.any(axis=1))


def test_jumps_of_missing_parts_are_left_out() -> None:
    """What a structure lacks is not jumped to, and NaN stands where a jump changes nothing."""
    whole, plain = (jump_vectors(problem_of(n, 1), JUMPS) for n in ("complete", "one-oscillator"))
    assert len(plain) < len(whole)
    assert np.all(np.isnan(whole).any(axis=1))
    assert not np.any(np.isnan(whole).all(axis=1))


def test_every_note_keeps_its_own_best_phase() -> None:
    """Of each jump, the row with the lowest loss of a note gives that note's phase."""
    problem = problem_of("complete", 3)
    base, n_phases = np.full(problem.n_dimensions, 0.5), 4
    jumps = [{"osc2.detune_cents": cents} for cents in (3.0, 8.0)]
    fan = fan_vectors(problem, jumps, base, phase="osc2.phase", n_phases=n_phases)
    losses = np.random.default_rng(1).random((3, len(fan)))
    met = meet_notes(problem, fan, losses, phase="osc2.phase", n_phases=n_phases)
    assert met.shape == (2, problem.n_dimensions)
    column = PHASE_NAMES.index("osc2.phase")
    for jump in range(2):
        rows = slice(jump * n_phases, (jump + 1) * n_phases)
        for note in range(3):
            best = fan[rows][int(np.argmin(losses[note, rows]))]
            assert (
                problem.phases(met[jump : jump + 1], note)[0, column]
                == problem.phases(best[None, :], note)[0, column]
            )
    free = met[:, : len(problem.space)]
    np.testing.assert_array_equal(free, fan[::n_phases, : len(problem.space)])
