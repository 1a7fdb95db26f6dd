"""Proposals: what no small step reaches, what is fitted after it, and where a search begins."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from matcher.matching import make_problem
from matcher.problem import Problem
from matcher.search.proposals import (
    PROPOSALS,
    REDRAWN,
    START_VARIANTS,
    coarse_entries,
    coupled_entries,
    families_of,
    phase_grid,
    proposal_vectors,
    redrawn_entries,
    start_vectors,
)
from matcher.target import first_values
from shared import CATALOGUE, PHASE_NAMES
from tests.own_notes import own_target
from voice import list_structures, load_structure


def problem_of(structure: str, n_notes: int = 1, *, only: tuple[str, ...] = ("*",)) -> Problem:
    """Return the problem of the free parameters of a structure, or of some."""
    voice = load_structure(structure)
    return Problem(voice, voice.space.only(*only), voice.complete({}), n_notes)


def names_of(problem: Problem, mask: np.ndarray) -> set[str]:
    """Name the parameters of a mask."""
    return {name for name, is_in in zip(problem.space.names, mask, strict=False) if is_in}


def test_every_proposal_names_parameters_of_the_catalogue() -> None:
    """A misspelt name would be left out without a word; values lie within the ranges."""
    for setting in (*PROPOSALS, *START_VARIANTS):
        for name, value in setting.items():
            assert CATALOGUE[name].low <= value <= CATALOGUE[name].high


@pytest.mark.parametrize(("patterns", "phases"), REDRAWN, ids=lambda x: x[0] if x else "no phase")
def test_every_group_has_parameters(patterns: tuple[str, ...], phases: tuple[str, ...]) -> None:
    """Each pattern of a group fits something, and its phases exist."""
    for pattern in patterns:
        assert len(CATALOGUE.only(pattern)) > 0
    assert set(phases) <= set(PHASE_NAMES)


def test_a_group_holds_the_phases_of_every_note() -> None:
    """Nothing ties the notes to each other, so all of them are drawn anew."""
    problem = problem_of("complete", 2)
    groups = redrawn_entries(problem)
    assert groups.shape == (len(REDRAWN), problem.n_dimensions)
    vibrato = groups[0]
    assert names_of(problem, vibrato) == {
        f"osc1.vibrato.{name}"
        for name in (
            *("rate_hz", "depth_cents", "delay_s", "rate_env_octaves"),
            *("rate_key_track_ratio", "depth_key_track_ratio"),
        )
    }
    phases = vibrato[len(problem.space) : -len(problem.pulse_columns)].reshape(
        2, len(problem.phase_columns)
    )
    columns = [problem.phase_columns[i] for i in np.flatnonzero(phases[0])]
    assert [PHASE_NAMES[column] for column in columns] == ["osc1.vibrato.phase"]
    np.testing.assert_array_equal(phases[0], phases[1])


def test_a_structure_has_the_groups_of_its_parts() -> None:
    """One plain oscillator has no second one to be drawn anew."""
    problem = problem_of("one-oscillator", 1)
    groups = redrawn_entries(problem)
    assert 0 < len(groups) < len(REDRAWN)
    assert np.all(groups.any(axis=1))


def test_proposals_of_missing_parts_are_left_out() -> None:
    """What a structure lacks is not proposed, and what a proposal leaves alone is NaN."""
    whole, plain = (
        proposal_vectors(problem_of(n), PROPOSALS) for n in ("complete", "one-oscillator")
    )
    assert len(plain) < len(whole)
    assert np.all(np.isnan(whole).any(axis=1))
    assert not np.any(np.isnan(whole).all(axis=1))


def test_every_note_keeps_its_own_best_phase() -> None:
    """Of each setting, the row with the lowest loss of a note gives that note's phase."""
    problem = problem_of("complete", 3)
    base, n_phases = np.full(problem.n_dimensions, 0.5), 4
    settings = [{"osc2.detune_cents": cents} for cents in (3.0, 8.0)]
    grid = phase_grid(problem, settings, base, phase="osc2.phase", n_phases=n_phases)
    losses = np.random.default_rng(1).random((3, len(grid.rows)))
    met = grid.best_of_each_note(losses)
    assert met.shape == (2, problem.n_dimensions)
    column = PHASE_NAMES.index("osc2.phase")
    for setting in range(2):
        rows = slice(setting * n_phases, (setting + 1) * n_phases)
        for note in range(3):
            best = grid.rows[rows][int(np.argmin(losses[note, rows]))]
            assert (
                problem.phases(met[setting : setting + 1], note)[0, column]
                == problem.phases(best[None, :], note)[0, column]
            )
    free = met[:, : len(problem.space)]
    np.testing.assert_array_equal(free, grid.rows[::n_phases, : len(problem.space)])


@pytest.mark.parametrize("structure", ["complete", "one-oscillator", "prompt-box"])
def test_what_was_changed_is_always_among_what_is_fitted(structure: str) -> None:
    """Any proposal: its own entries may move at once."""
    problem = problem_of(structure)
    changed = ~np.isnan(proposal_vectors(problem, PROPOSALS))
    masks = coupled_entries(problem, changed)
    assert masks.shape == changed.shape
    assert np.all(masks[changed])


def test_a_bend_is_fitted_with_the_attacks() -> None:
    """A quick pitch envelope trades with envelopes and detune, not with vibratos."""
    problem = problem_of("complete", n_notes=2)
    changed = np.zeros((1, problem.n_dimensions), bool)
    changed[0, problem.space.index("osc2.pitch_env.depth_cents")] = True
    mask = coupled_entries(problem, changed)[0]
    found = names_of(problem, mask)
    assert {"osc2.pitch_env.decay_s", "amp_env.attack_s", "osc2.detune_cents"} <= found
    assert not any("vibrato" in name or "bank" in name for name in found)
    # Phases of both oscillators and the place, of both notes, and of nothing else.
    assert np.count_nonzero(mask[len(problem.space) :]) == 6
    # A quarter of what moves in all: that is what makes it quick.
    assert np.count_nonzero(mask) < 0.33 * problem.n_dimensions


def test_variants_in_phase_alone_are_one_family() -> None:
    """Two values make two families, two phases make none."""
    problem = problem_of("complete")
    rows = np.full((3, problem.n_dimensions), np.nan)
    rows[:, problem.space.index("osc2.detune_cents")] = (0.3, 0.3, 0.6)
    rows[:, problem.phase_entries("osc2.phase")] = np.array([[0.1], [0.7], [0.1]])
    first, same, other = families_of(problem, rows)
    assert first == same != other


def test_first_steps_leave_movement_alone_unless_it_is_most() -> None:
    """Filters and envelopes tell valleys apart; where only LFOs are free, they have to."""
    problem = problem_of("complete")
    coarse = names_of(problem, coarse_entries(problem))
    assert {"filter.cutoff_hz", "osc2.detune_cents", "bank.gain_630_hz_db"} <= coarse
    assert not any("vibrato" in name or "pwm" in name for name in coarse)
    assert np.all(coarse_entries(problem_of("complete", only=("*.vibrato.*", "tune*"))))


@cache
def named_starts(structure: str, *midi_pitches: float) -> list[dict[str, float]]:
    """Return the values of each start by name."""
    target = own_target(*midi_pitches)
    problem = make_problem(target, load_structure(structure))
    vectors = start_vectors(problem, target)
    n = len(problem.space)
    return [problem.space.to_dict(problem.space.decode(row[:n])) for row in vectors]


@pytest.mark.parametrize("midi_pitches", [(60.0,), (48.0, 72.0)], ids=["one note", "two notes"])
def test_starts_are_vectors_of_the_problem(midi_pitches: tuple[float, ...]) -> None:
    """Any structure, any number of notes: rows in [0, 1] that differ from each other."""
    target = own_target(*midi_pitches)
    for structure in list_structures():
        problem = make_problem(target, load_structure(structure))
        starts = start_vectors(problem, target)
        assert starts.shape[1] == problem.n_dimensions
        assert np.all((starts >= 0.0) & (starts <= 1.0))
        assert len(np.unique(starts, axis=0)) == len(starts) >= 2


def test_the_first_start_is_what_was_measured() -> None:
    """Every value that the analysis found, held to the structure's range."""
    found = named_starts("two-oscillator", 60.0)[0]
    space = load_structure("two-oscillator").space
    measured = first_values(own_target(60.0).notes[0])
    assert measured
    for name in set(measured) & set(found):
        value = float(np.clip(measured[name], space[name].low, space[name].high))
        # 1e-9: into the unit range and back.
        assert found[name] == pytest.approx(value, rel=1e-9, abs=1e-9)


def test_several_notes_start_from_their_typical_values() -> None:
    """The median over the notes, so that one that was misread does not count."""
    pitches = (50.0, 60.0, 70.0)
    found = named_starts("two-oscillator", *pitches)[0]
    measured = [first_values(note) for note in own_target(*pitches).notes]
    expected = np.median([values["amp_env.decay_s"] for values in measured])
    assert found["amp_env.decay_s"] == pytest.approx(expected, rel=1e-9)


def test_another_start_leaves_the_filter_alone() -> None:
    """If the filter was misread, there is a start that does not build on it."""
    starts = named_starts("two-oscillator", 60.0)
    space = load_structure("two-oscillator").space
    resting = float(space.clip(space.neutral())[space.names.index("filter.cutoff_hz")])
    others = [start["filter.cutoff_hz"] for start in starts[1:]]
    assert any(value == pytest.approx(resting, rel=1e-9) for value in others)
