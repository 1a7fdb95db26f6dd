"""Onsets, searched on the first quarter of a second."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.evaluator import Evaluator
from matcher.matching import make_problem
from matcher.playing import prepare_note
from matcher.problem import Problem
from matcher.search.onset_search import (
    FITTED_PHASES,
    ONSET_S,
    onset_evaluator,
    onset_starts,
    search_onsets,
)
from shared import PHASE_NAMES, FloatArray
from tests.own_notes import BRASS, own_target
from voice import load_structure

if TYPE_CHECKING:
    from matcher.target import Target

BEND = {
    "osc1.pitch_env.depth_cents": 200.0,
    "osc1.pitch_env.decay_s": 0.05,
    "osc1.pitch_env.attack_s": 0.004,
}


def _evaluator(target: Target, problem: Problem) -> Evaluator:
    """Make an evaluator of whole notes."""
    targets = [prepare_note(note) for note in target.notes]
    return Evaluator(problem, targets, [note.note for note in target.notes])


def _found(*, effort: float = 0.5, seed: int = 1) -> tuple[Problem, FloatArray, FloatArray, float]:
    """Search the onset of a bent note around its patch without the bend.

    Returns the problem, the patch, what was found, and the loss of the onset that is left.
    """
    target = own_target(57.0, values={**BRASS, **BEND}, gate_s=0.6)
    problem = make_problem(target, load_structure("complete"))
    plain = {name: value for name, value in BRASS.items() if name not in BEND}
    phases = dict.fromkeys(PHASE_NAMES, 0.0)
    # Phases count in the middle of the note: those of the body are known.
    base = problem.vector({**plain, **BEND}, [phases])
    base[problem.space.index("osc1.pitch_env.depth_cents")] = problem.space[
        "osc1.pitch_env.depth_cents"
    ].encode(0.0)
    with _evaluator(target, problem) as whole:
        found = search_onsets(whole, target.notes, base[None], effort=effort, seed=seed)[0]
        with onset_evaluator(whole, target.notes) as short:
            ratio = short.losses(found[None])[0] / short.losses(base[None])[0]
    return problem, base, found, float(ratio)


@pytest.mark.slow
def test_a_bend_of_one_oscillator_comes_back() -> None:
    """The body is known, the bend isn't: depth within 20 %, and little is left of the loss."""
    problem, _, found, ratio = _found(effort=1.0, seed=1)
    assert ratio < 0.1
    values = problem.named_values(found)
    depths = [values[f"osc{i}.pitch_env.depth_cents"] for i in (1, 2)]
    # Which oscillator is called 1 is a matter of taste: one of them is bent, one is steady.
    assert max(depths) - min(depths) == pytest.approx(200.0, rel=0.2)


def test_the_body_stays_as_it_is() -> None:
    """Nothing but envelopes and the places of the oscillators moves."""
    problem, base, found, _ = _found(effort=0.05)
    moved = np.flatnonzero(found != base)
    names = [*problem.space.names, *(PHASE_NAMES[i] for i in problem.phase_columns)]
    assert len(moved)
    for name in (names[i] for i in moved):
        assert name in {*FITTED_PHASES, "filter.cutoff_hz", "noise.attack_s"} or "_env." in name


def test_a_voice_without_such_envelopes_has_no_onset_search() -> None:
    """No row where nothing could be drawn."""
    target = own_target(57.0)
    voice = load_structure("complete")
    kept = [name for name in voice.space.names if not name.startswith(("filter_env", "osc"))]
    problem = Problem(voice, voice.space.only(*kept), voice.complete({}), 1)
    with _evaluator(target, problem) as whole:
        base = problem.vector({})[None]
        assert search_onsets(whole, target.notes, base, effort=1.0, seed=0).shape == (
            0,
            problem.n_dimensions,
        )


def test_notes_are_cut_behind_their_onset() -> None:
    """A quarter of a second behind the onset is left of a longer note."""
    target = own_target(57.0, gate_s=0.6)
    problem = make_problem(target, load_structure("two-oscillator"))
    with _evaluator(target, problem) as whole, onset_evaluator(whole, target.notes) as short:
        rate_hz = short.targets[0].sample_rate_hz
        assert short.targets[0].n_after == pytest.approx(ONSET_S * rate_hz, abs=2)
        assert whole.targets[0].n_after > 2 * short.targets[0].n_after


def test_one_onset_serves_all_notes() -> None:
    """Envelopes are common to the notes, the places of the oscillators are each note's own."""
    target = own_target(50.0, 62.0, values={**BRASS, **BEND})
    problem = make_problem(target, load_structure("two-oscillator"))
    base = problem.vector({name: x for name, x in BRASS.items() if "attack" not in name})
    with _evaluator(target, problem) as whole:
        found = search_onsets(whole, target.notes, base[None], effort=0.05, seed=0)[0]
        with onset_evaluator(whole, target.notes) as short:
            losses = short.losses(np.stack([base, found]))
    assert losses[1] < losses[0]


def test_a_search_that_runs_out_of_time_has_what_was_found() -> None:
    """The first place alone, and its walks cut off."""
    target = own_target(57.0)
    problem = make_problem(target, load_structure("two-oscillator"))
    bases = np.stack([problem.vector({}), problem.vector(BRASS)])
    with _evaluator(target, problem) as whole:
        found = search_onsets(
            whole, target.notes, bases, effort=0.05, seed=0, is_over=lambda: True
        )
    assert found.shape == (1, problem.n_dimensions)


@pytest.mark.slow
def test_a_bend_that_begins_at_once_is_told_from_one_that_rises() -> None:
    """The same fall, another attack: no small step leads from one to the other."""
    rising = {**BEND, "osc1.pitch_env.attack_s": 0.012}
    target = own_target(57.0, values={**BRASS, **rising}, gate_s=0.6)
    problem = make_problem(target, load_structure("complete"))
    depth_cents = 200.0 * np.exp((0.012 - 0.001) / 0.05)
    at_once = {"osc1.pitch_env.depth_cents": depth_cents, "osc1.pitch_env.attack_s": 0.001}
    phases = {**dict.fromkeys(PHASE_NAMES, 0.0), "osc2.phase": 0.25}
    base = problem.vector({**BRASS, **rising}, [phases])
    for name, value in at_once.items():
        base[problem.space.index(name)] = problem.space[name].encode(float(value))
    with _evaluator(target, problem) as whole:
        found = search_onsets(whole, target.notes, base[None], effort=0.3, seed=1)[0]
    values = problem.named_values(found)
    assert values["osc1.pitch_env.attack_s"] == pytest.approx(0.012, rel=0.2)
    assert values["osc1.pitch_env.depth_cents"] == pytest.approx(200.0, rel=0.05)


def test_what_was_made_plain_stays_plain() -> None:
    """Only what may move does: without the pitch envelopes, onsets are envelopes alone."""
    target = own_target(57.0, values={**BRASS, **BEND}, gate_s=0.6)
    problem = make_problem(target, load_structure("complete"))
    base = problem.vector({**BRASS, "amp_env.attack_s": 0.06, "filter_env.attack_s": 0.01})
    moving = np.array([i for i, n in enumerate(problem.space.names) if "pitch_env" not in n])
    with _evaluator(target, problem) as whole:
        found = search_onsets(whole, target.notes, base[None], effort=0.05, seed=0, moving=moving)[
            0
        ]
    moved = np.flatnonzero(found != base)
    assert len(moved)
    assert set(moved) <= set(moving)


def _bases() -> tuple[Target, Problem, FloatArray, FloatArray]:
    """Return a note, its problem, a vector to begin with and one partial fit."""
    target = own_target(57.0)
    problem = make_problem(target, load_structure("two-oscillator"))
    fit = np.where(np.arange(problem.n_dimensions) < 3, 0.5, np.nan)
    return target, problem, problem.vector(BRASS), fit[None]


@pytest.mark.parametrize(
    ("n_stage", "n_most", "n_rows"),
    [(300, None, 0), (500, None, 1), (2000, None, 1), (2000, 100.0, 0), (2000, 800.0, 1)],
)
def test_onsets_have_to_be_worth_their_cost(
    n_stage: int, n_most: float | None, n_rows: int
) -> None:
    """With little time or few candidates none is searched; the clock stops the first one here."""
    target, problem, base, fits = _bases()
    with _evaluator(target, problem) as whole:
        rows = onset_starts(
            whole, target.notes, base, fits,
            n_stage=n_stage, n_most=n_most, seed=1, is_over=lambda: True,
        )  # fmt: skip
    assert rows.shape == (n_rows, problem.n_dimensions)


def test_short_candidates_count_by_their_length_and_keep_to_what_they_may_cost() -> None:
    """A part of a candidate for each, and no more in all than was allowed but for a batch."""
    target, problem, base, fits = _bases()
    with _evaluator(target, problem) as whole:
        with onset_evaluator(whole, target.notes) as short:
            short.losses(np.stack([base] * 10))
            share = short.targets[0].n_render / whole.targets[0].n_render
        assert 0.0 < share < 1.0
        assert whole.n_rendered == pytest.approx(10 * share)
        before, n_most = whole.n_rendered, 0.25 * share * 6536
        rows = onset_starts(
            whole, target.notes, base, fits[:0], n_stage=2000, n_most=n_most, seed=1
        )
        assert len(rows) == 1
        # Two rounds end with a batch of some forty each.
        assert 0.5 * n_most < whole.n_rendered - before < n_most + 100 * share
