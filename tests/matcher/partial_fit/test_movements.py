"""Fits as candidates of a search."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.matching import make_problem
from matcher.partial_fit import Movements
from matcher.partial_fit.entries import NAMES
from matcher.partial_fit.movements import movement_proposals, movement_starts, movement_vectors
from matcher.search.proposals import start_vectors, sweep_vectors
from shared import PHASE_NAMES
from tests.benchmarks.bench_known_answers import target_of
from tests.known_notes import known_note
from tests.own_notes import own_target
from voice import load_structure

if TYPE_CHECKING:
    from matcher.problem import Problem
    from matcher.target import Target
    from shared import FloatArray

pytestmark = pytest.mark.slow

MOVING = {"osc1.vibrato.rate_hz": 5.0, "osc1.vibrato.depth_cents": 20.0}


def rows_of(name: str, structure: str) -> tuple[np.ndarray, np.ndarray]:
    """Return the first start of a known note, and the fits around it."""
    target = target_of([known_note(name)])
    problem = make_problem(target, load_structure(structure))
    base = start_vectors(problem, target)[0]
    return base, movement_vectors(problem, target.notes, base, n_best=2, seed=0)


# Everything, stepped controls, a linked LFO, one oscillator that nothing moves against.
@pytest.mark.parametrize("structure", ["wagon-desk", "pulse-strings-one-lfo", "one-oscillator"])
def test_rows_are_vectors_of_the_problem(structure: str) -> None:
    """Rows are in [0, 1]; there are none if there is nothing to move."""
    base, rows = rows_of("brass", structure)
    assert rows.shape[1] == len(base)
    assert np.all((rows >= 0.0) & (rows <= 1.0))
    names = load_structure(structure).space.names
    assert (len(rows) > 0) == ("osc2.detune_cents" in names or "osc1.vibrato.rate_hz" in names)


def phases_that_are_told(problem: Problem) -> list[int]:
    """Return the entries of phases that a fit knows, of all notes."""
    columns = problem.phase_columns
    return [
        len(problem.space) + i
        for i in range(problem.n_notes * len(columns))
        if PHASE_NAMES[columns[i % len(columns)]] in NAMES
    ]


def test_proposals_leave_the_rest_open() -> None:
    """Filter, envelopes and noise are NaN; oscillators, their key tracking and phases are not."""
    target = own_target(60.0, 67.0)
    problem = make_problem(target, load_structure("complete"))
    rows = np.random.default_rng(0).random((3, problem.n_dimensions))
    proposals = movement_proposals(problem, rows)
    for i, name in enumerate(problem.space.names):
        is_open = bool(np.all(np.isnan(proposals[:, i])))
        is_told = name.startswith(("osc1.", "osc2.", "tune")) and "pitch_env.attack" not in name
        assert is_open == (not is_told)
    told = phases_that_are_told(problem)
    np.testing.assert_array_equal(proposals[:, told], rows[:, told])
    others = np.setdiff1d(np.arange(len(problem.space), problem.pulse_entries[0]), told)
    # Where oscillator 1, the LFO on the cutoff and the note itself begin, of two notes.
    assert len(others) == 3 * 2
    assert np.all(np.isnan(proposals[:, others]))


def test_proposals_leave_front_edges_open_where_a_fit_found_no_bend() -> None:
    """A short one lies before its first frame, so that nothing is known of it."""
    target = own_target(60.0)
    problem = make_problem(target, load_structure("complete"))
    rows = np.random.default_rng(0).random((2, problem.n_dimensions))
    bend = [problem.space.index(f"osc1.pitch_env.{name}") for name in ("depth_cents", "decay_s")]
    rows[1, bend[0]] = problem.space["osc1.pitch_env.depth_cents"].encode(0.0)
    proposals = movement_proposals(problem, rows)
    np.testing.assert_array_equal(proposals[0, bend], rows[0, bend])
    assert np.all(np.isnan(proposals[1, bend]))


def test_starts_put_each_fit_into_several_places() -> None:
    """The fits first, then by turns: oscillators of a fit, the rest of a sweep."""
    target = own_target(60.0)
    problem = make_problem(target, load_structure("complete"))
    base = start_vectors(problem, target)[0]
    fits = np.random.default_rng(0).random((2, problem.n_dimensions))
    starts = movement_starts(problem, fits, sweep_vectors(problem, base, 8, seed=0))
    np.testing.assert_array_equal(starts[:2], fits)
    column = problem.space.index("osc2.detune_cents")
    np.testing.assert_array_equal(starts[2:, column], np.tile(fits[:, column], 4))
    assert len(np.unique(starts[2:, problem.space.index("filter.cutoff_hz")])) == 8


def test_starts_carry_key_tracking_and_the_phases_of_all_notes() -> None:
    """Swept starts have what a fit says of each note, and not the sweep's."""
    target = own_target(60.0, 67.0)
    problem = make_problem(target, load_structure("complete"))
    base = start_vectors(problem, target)[0]
    fits = np.random.default_rng(0).random((1, problem.n_dimensions))
    starts = movement_starts(problem, fits, sweep_vectors(problem, base, 4, seed=0))
    told = [problem.space.index("osc2.vibrato.depth_key_track_ratio")]
    told += phases_that_are_told(problem)
    np.testing.assert_array_equal(starts[:, told], np.tile(fits[:, told], (5, 1)))


@pytest.fixture(scope="module")
def brass() -> tuple[Target, Problem, FloatArray, Movements]:
    """Return a known note with its problem, first start, and fits."""
    target = target_of([known_note("brass")])
    problem = make_problem(target, load_structure("complete"))
    base = start_vectors(problem, target)[0]
    movements = Movements(problem, target.notes, base)
    movements.prepare(100, is_timed=False)
    assert len(movements.proposals()) == movements.n_swept(100) == 0
    movements.prepare(1000, is_timed=False)
    return target, problem, base, movements


def test_starts_and_proposals_are_as_many_as_fits(
    brass: tuple[Target, Problem, FloatArray, Movements],
) -> None:
    """Starts have, besides, the fits put into one in 16 of the stage's candidates."""
    _, _, base, movements = brass
    assert movements.n_swept(1000) == 1000 // 16
    n_fits = len(movements.starts(np.tile(base, (5, 1)))) - 5
    assert n_fits > 0
    assert len(movements.proposals()) == n_fits


def test_a_bent_attack_is_left_out_of_the_fit() -> None:
    """A pitch envelope of -300 cents on oscillator 2: the detune behind it comes back."""
    _, rows = rows_of("brass_pitch_env_osc2", "complete")
    problem = make_problem(
        target_of([known_note("brass_pitch_env_osc2")]), load_structure("complete")
    )
    column = list(problem.space.names).index("osc2.detune_cents")
    found = [problem.space["osc2.detune_cents"].decode(row[column]) for row in rows[:2]]
    # Half a cent: a tenth of the just-noticeable difference of pitch (5 cents, from memory).
    assert min(abs(abs(cents) - 7.0) for cents in found) < 0.5


@pytest.mark.parametrize(
    ("n_notes", "n_left", "is_timed", "has_fits"),
    [
        (1, 250, False, True),
        (1, 150, False, False),
        (1, 350, True, False),
        (1, 450, True, True),
        (2, 200, True, False),
        (2, 250, True, True),
    ],
)
def test_fits_have_to_be_worth_their_time(
    *, monkeypatch: pytest.MonkeyPatch, n_notes: int, n_left: int, is_timed: bool, has_fits: bool
) -> None:
    """Longer searches have them, sooner where candidates are counted or play several notes."""
    target = own_target(*[60.0, 67.0][:n_notes], values=MOVING, gate_s=0.6)
    problem = make_problem(target, load_structure("complete"))
    made = np.full((1, problem.n_dimensions), 0.5)
    monkeypatch.setattr("matcher.partial_fit.movements.movement_vectors", lambda *_, **__: made)
    movements = Movements(problem, target.notes)
    movements.prepare(n_left, is_timed=is_timed)
    assert (len(movements.proposals()) > 0) == has_fits


def test_fits_leave_each_stage_its_share_of_the_time() -> None:
    """What they took comes off the whole search, and not off its first stage alone."""
    target = own_target(60.0, values=MOVING, gate_s=0.6)
    problem = make_problem(target, load_structure("complete"))
    movements = Movements(problem, target.notes, start_vectors(problem, target)[0])
    assert movements.deadline_s(10.0, 0.2) == pytest.approx(2.0)
    movements.prepare(1000, is_timed=True)
    # At a share of 0 just the fits' own time is over.
    took_s = movements.deadline_s(1e3, 0.0)
    assert took_s > 0.0
    assert movements.deadline_s(1e3, 0.2) == pytest.approx(took_s + 0.2 * (1e3 - took_s))
    assert movements.deadline_s(1e3, 1.0) == 1e3
    # A search shorter than its fits ends on time all the same.
    assert movements.deadline_s(1e-6, 0.2) == pytest.approx(1e-6)
