"""Gates that are corrected while a patch is searched."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from matcher.evaluator import Evaluator
from matcher.matching import make_problem
from matcher.playing import prepare_note
from matcher.problem import Problem
from matcher.search.gates import fit_gates, fit_gates_and_envelopes
from shared import PHASE_NAMES, FloatArray
from tests.own_notes import BRASS, own_target
from voice import load_structure

GATE_S, LATE_S = 0.6, 0.05
# Where oscillator 2 stands when a note begins, unless something else is said.
PHASES = {**dict.fromkeys(PHASE_NAMES, 0.0), "osc2.phase": 0.25}
# What fits to a key that is let go 50 ms too late: a quick release, and a decay without end.
BENT = {
    "amp_env.decay_s": 3.0,
    "amp_env.sustain_ratio": 0.3,
    "amp_env.release_s": 0.02,
    "filter_env.release_s": 0.03,
}


def _late(*keys: float, gates_s: tuple[float, ...] = ()) -> tuple[Evaluator, FloatArray]:
    """Make an evaluator whose keys are let go too late, and a patch that was bent to that."""
    target = own_target(*keys, values=BRASS, gate_s=GATE_S)
    problem = make_problem(target, load_structure("two-oscillator"))
    late = gates_s or (GATE_S + LATE_S,) * len(keys)
    notes = [
        replace(note.note, gate_s=gate_s) for note, gate_s in zip(target.notes, late, strict=True)
    ]
    evaluator = Evaluator(problem, [prepare_note(note) for note in target.notes], notes)
    return evaluator, problem.vector({**BRASS, **BENT}, [PHASES] * len(keys))


def _gates_s(evaluator: Evaluator) -> list[float]:
    """List the gates that an evaluator plays."""
    return [note.gate_s for note in evaluator.notes]


@pytest.mark.slow
def test_a_gate_comes_back_with_the_envelopes_that_were_bent_to_it() -> None:
    """Within 5 ms after two calls, which the gate alone isn't; only envelopes and filter move."""
    evaluator, bent = _late(57.0)
    with evaluator:
        fitted = fit_gates_and_envelopes(evaluator, bent, [True])
        fitted = fit_gates_and_envelopes(evaluator, fitted, [True], is_near=True)
        assert _gates_s(evaluator)[0] == pytest.approx(GATE_S, abs=0.005)
        left = evaluator.losses(fitted[None])[0]
        moved = np.flatnonzero(fitted != bent)
        names = evaluator.problem.space.names
    assert len(moved)
    for i in moved:
        assert names[i].startswith(("amp_env", "filter", "noise"))
        assert "attack" not in names[i]
    evaluator, bent = _late(57.0)
    with evaluator:
        fit_gates(evaluator, bent, [True])
        assert left < 0.5 * evaluator.losses(bent[None])[0]


def test_what_is_never_further_away() -> None:
    """A gate that is right stays, with a candidate that is as close at least."""
    evaluator, _ = _late(57.0, gates_s=(GATE_S,))
    with evaluator:
        right = evaluator.problem.vector(BRASS, [PHASES])
        before = evaluator.losses(right[None])[0]
        fitted = fit_gates_and_envelopes(evaluator, right, [True], is_near=True)
        assert evaluator.losses(fitted[None])[0] <= before
        assert _gates_s(evaluator)[0] == pytest.approx(GATE_S, abs=0.003)


@pytest.mark.slow
def test_a_gate_that_was_given_stays() -> None:
    """Of two notes only the one whose gate was estimated is moved; of none, nothing."""
    evaluator, bent = _late(57.0, 64.0, gates_s=(GATE_S, GATE_S + LATE_S))
    with evaluator:
        np.testing.assert_array_equal(
            fit_gates_and_envelopes(evaluator, bent, [False, False]), bent
        )
        assert _gates_s(evaluator) == [GATE_S, GATE_S + LATE_S]
        fit_gates_and_envelopes(evaluator, bent, [False, True])
        given_s, estimated_s = _gates_s(evaluator)
    assert given_s == GATE_S
    assert estimated_s == pytest.approx(GATE_S, abs=0.005)


@pytest.mark.slow
def test_gates_of_several_notes_move_together_and_then_alone() -> None:
    """Late by 50 and by 40 ms: both within 5 ms."""
    evaluator, bent = _late(57.0, 64.0, gates_s=(GATE_S + LATE_S, GATE_S + LATE_S - 0.01))
    with evaluator:
        fit_gates_and_envelopes(evaluator, bent, [True, True])
        assert _gates_s(evaluator) == pytest.approx([GATE_S, GATE_S], abs=0.005)


def test_a_decay_that_was_taken_for_the_release_is_left_behind() -> None:
    """A gate that is 300 ms too short comes back where the patch is right."""
    evaluator, _ = _late(57.0, gates_s=(GATE_S - 0.3,))
    with evaluator:
        fit_gates(evaluator, evaluator.problem.vector(BRASS, [PHASES]), [True])
        assert _gates_s(evaluator)[0] == pytest.approx(GATE_S, abs=0.005)


def test_a_key_is_never_held_for_less_than_nothing() -> None:
    """Gates shorter than a step are tried upwards only."""
    evaluator, bent = _late(57.0, gates_s=(0.01,))
    with evaluator:
        fit_gates_and_envelopes(evaluator, bent, [True])
        assert _gates_s(evaluator)[0] > 0.0


def test_a_voice_without_envelopes_has_its_gate_moved_alone() -> None:
    """The candidate stays as it is."""
    target = own_target(57.0, values=BRASS, gate_s=GATE_S)
    voice = load_structure("two-oscillator")
    problem = Problem(voice, voice.space.only("osc1.saw_level"), voice.complete(BRASS), 1)
    notes = [replace(note.note, gate_s=GATE_S + LATE_S) for note in target.notes]
    with Evaluator(problem, [prepare_note(note) for note in target.notes], notes) as evaluator:
        vector = problem.vector({}, [PHASES])
        np.testing.assert_array_equal(fit_gates_and_envelopes(evaluator, vector, [True]), vector)
        assert _gates_s(evaluator)[0] == pytest.approx(GATE_S, abs=0.005)
