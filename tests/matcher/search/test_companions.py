"""What is fitted first after a jump, and where a saved search stands."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.problem import Problem
from matcher.search.companions import coarse_entries, companions, families_of
from matcher.search.jumps import JUMPS, jump_vectors
from matcher.search.position import Position
from shared import ParameterError
from voice import list_structures, load_structure


def problem_of(structure: str, *, only: tuple[str, ...] = ("*",), n_notes: int = 1) -> Problem:
    """Return the problem of the free parameters of a structure, or of some."""
    voice = load_structure(structure)
    return Problem(voice, voice.space.only(*only), voice.complete({}), n_notes)


def names_of(problem: Problem, mask: np.ndarray) -> set[str]:
    """Name the parameters of a mask."""
    return {name for name, is_in in zip(problem.space.names, mask, strict=False) if is_in}


@pytest.mark.parametrize("structure", list_structures())
def test_what_was_changed_is_always_among_what_is_fitted(structure: str) -> None:
    """Any jump of any structure: its own entries may move at once."""
    problem = problem_of(structure)
    changed = ~np.isnan(jump_vectors(problem, JUMPS))
    masks = companions(problem, changed)
    assert masks.shape == changed.shape
    assert np.all(masks[changed])


def test_a_front_edge_is_fitted_with_the_attacks() -> None:
    """A quick pitch envelope trades with envelopes and detune, not with vibratos."""
    problem = problem_of("complete", n_notes=2)
    changed = np.zeros((1, problem.n_dimensions), bool)
    changed[0, problem.space.index("osc2.pitch_env.depth_cents")] = True
    mask = companions(problem, changed)[0]
    found = names_of(problem, mask)
    assert {"osc2.pitch_env.decay_s", "amp_env.attack_s", "osc2.detune_cents"} <= found
    assert not any("vibrato" in name or "bank" in name for name in found)
    # Phases of both oscillators, of both notes, and of nothing else.
    assert np.count_nonzero(mask[len(problem.space) :]) == 4
    # A quarter of what moves in all: that is what makes it quick.
    assert np.count_nonzero(mask) < 0.33 * problem.n_dimensions


def test_variants_in_phase_alone_are_one_family() -> None:
    """Two values make two families, two phases make none."""
    problem = problem_of("complete")
    rows = np.full((3, problem.n_dimensions), np.nan)
    rows[:, problem.space.index("osc2.detune_cents")] = (0.3, 0.3, 0.6)
    rows[:, -1] = (0.1, 0.7, 0.1)
    first, same, other = families_of(problem, rows)
    assert first == same != other


def test_first_steps_leave_movement_alone_unless_it_is_most() -> None:
    """Filters and envelopes tell valleys apart; where only LFOs are free, they have to."""
    problem = problem_of("complete")
    coarse = names_of(problem, coarse_entries(problem))
    assert {"filter.cutoff_hz", "osc2.detune_cents", "bank.gain_630_hz_db"} <= coarse
    assert not any("vibrato" in name or "pwm" in name for name in coarse)
    assert np.all(coarse_entries(problem_of("complete", only=("*.vibrato.*", "tune*"))))


def test_a_search_with_other_phases_is_refused() -> None:
    """Vectors of before would be read as other phases; the message says what to do."""
    position = Position(np.arange(3), np.zeros(3))
    state = position.to_state() | {"version": 1}
    with pytest.raises(ParameterError, match="refine its best patch"):
        Position.from_state(state)
