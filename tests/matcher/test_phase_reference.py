"""Phases in the middle of a note: what they hold still, and that they lead back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from matcher.matching import make_problem
from matcher.phase_reference import OSC1, PhaseReference, phases_at_reference, phases_at_start
from shared import CATALOGUE, PHASE_NAMES, FloatArray, Note
from tests.known_notes import known_instrument
from voice import NoteRenderer, load_structure

if TYPE_CHECKING:
    from matcher.problem import Problem

REFERENCE = PhaseReference(0.4, 57.0)
COLUMNS = tuple(range(len(PHASE_NAMES)))
NOTE = Note(57.0, velocity=100, gate_s=0.8)
RATE_HZ = 44_100


def values_of(**settings: float) -> FloatArray:
    """Return one row of values: two sawtooths, and what is set besides ("__" stands for a dot)."""
    named = dict(CATALOGUE.neutral()) | {"osc2.saw_level": 0.8, "osc2.detune_cents": 6.0}
    named |= {name.replace("__", "."): value for name, value in settings.items()}
    return np.array([[named[name] for name in CATALOGUE.names]])


def body_of(values: FloatArray, phases: FloatArray) -> FloatArray:
    """Play a candidate, and return what sounds from 0.3 s on."""
    n_samples = round(0.8 * RATE_HZ)
    renderer = NoteRenderer(NOTE, n_samples=n_samples, sample_rate_hz=RATE_HZ, seed=0)
    return np.asarray(renderer.render(values, phases)[round(0.3 * RATE_HZ) :, 0], np.float64)


def distance(first: FloatArray, second: FloatArray) -> float:
    """Return the energy of a difference over that of the first sound, no unit."""
    return float(np.sum((first - second) ** 2) / np.sum(first**2))


@pytest.mark.parametrize("depth_cents", [-300.0, 150.0, 600.0])
def test_a_quick_pitch_envelope_leaves_the_body_alone(depth_cents: float) -> None:
    """Told in the middle, the beats of the body stay; held at the start, they are other ones."""
    held = np.full((1, len(PHASE_NAMES)), 0.3)
    plain = values_of()
    bent = values_of(osc2__pitch_env__depth_cents=depth_cents, osc2__pitch_env__decay_s=0.03)
    bodies = [body_of(v, phases_at_start(v, held, REFERENCE, COLUMNS)) for v in (plain, bent)]
    at_start = [body_of(v, held) for v in (plain, bent)]
    # 1 % of the energy: the voice draws an attack of 0.5 ms in straight lines of 0.36 ms, which
    # turns the oscillator by up to some hundredths of a cycle.
    assert distance(*bodies) < 0.01
    assert distance(*at_start) > 0.05


def test_the_place_of_oscillator_1_leaves_the_beats_alone() -> None:
    """Oscillator 2 goes along, so that the note is the same some hundred samples later."""
    n_later = 100
    held = np.full((1, len(PHASE_NAMES)), 0.3)
    later = held.copy()
    later[:, OSC1] += n_later * 220.0 / RATE_HZ
    values = values_of()
    here, there = (
        body_of(values, phases_at_start(values, p, REFERENCE, COLUMNS)) for p in (held, later)
    )
    # 1 %: 6 cents of half a cycle are left, which is n times as much for partial n.
    assert distance(here[n_later:], there[:-n_later]) < 0.01
    assert distance(here[n_later:], here[:-n_later]) > 0.1


@given(st.floats(0.5, 12.0), st.floats(0.0, 0.999))
def test_an_lfo_is_at_the_reference_time_where_it_should_be(rate_hz: float, held: float) -> None:
    """Whatever its rate, start and turns add up to the phase that was held."""
    values = values_of(osc1__pwm__rate_hz=rate_hz)
    phases = np.zeros((1, len(PHASE_NAMES)))
    column = PHASE_NAMES.index("osc1.pwm.phase")
    phases[0, column] = held
    start = phases_at_start(values, phases, REFERENCE, COLUMNS)[0, column]
    away = (start + REFERENCE.time_s * rate_hz - held + 0.5) % 1.0 - 0.5
    # 1e-9: sums of 96 pieces in double precision.
    assert abs(away) < 1e-9


def test_only_what_is_held_in_the_middle_is_turned() -> None:
    """A phase that isn't searched stands at the start already."""
    values = values_of(osc2__vibrato__depth_cents=20.0)
    phases = np.full((1, len(PHASE_NAMES)), 0.2)
    starts = phases_at_start(values, phases, REFERENCE, [PHASE_NAMES.index("osc2.phase")])
    np.testing.assert_array_equal(starts[0, 1:], phases[0, 1:])
    assert starts[0, 0] != phases[0, 0]


@given(st.integers(0, 2**31))
def test_phases_lead_back(seed: int) -> None:
    """Turned to the start and on again, phases are what they were, note by note."""
    rng = np.random.default_rng(seed)
    problem = PROBLEM
    vector = rng.random(problem.n_dimensions)
    row = problem.values(vector[None, :])[0].tolist()
    back = problem.vector(
        dict(zip(CATALOGUE.names, row, strict=True)), problem.note_phases(vector)
    )
    away = (back - vector + 0.5) % 1.0 - 0.5
    # 1e-9: some thousand turns in double precision.
    last = problem.pulse_entries[0]
    np.testing.assert_allclose(away[len(problem.space) : last], 0.0, atol=1e-9)


def test_a_batch_is_turned_as_its_candidates_are() -> None:
    """Sums run in one order, whatever the number of candidates: to the bit."""
    vectors = np.random.default_rng(2).random((33, PROBLEM.n_dimensions))
    together = PROBLEM.phases(vectors, 1)
    alone = np.vstack([PROBLEM.phases(vector[None, :], 1) for vector in vectors])
    np.testing.assert_array_equal(together, alone)


def test_both_ways_undo_each_other() -> None:
    """From the start to the reference time and back."""
    rng = np.random.default_rng(4)
    values = values_of(
        osc1__vibrato__depth_cents=30.0,
        osc2__vibrato__depth_cents=50.0,
        osc2__vibrato__delay_s=0.3,
        osc1__pitch_env__depth_cents=-400.0,
    )
    starts = rng.random((1, len(PHASE_NAMES)))
    held = phases_at_reference(values, starts, REFERENCE, COLUMNS)
    away = (phases_at_start(values, held, REFERENCE, COLUMNS) - starts + 0.5) % 1.0 - 0.5
    np.testing.assert_allclose(away, 0.0, atol=1e-9)


def _problem() -> Problem:
    """Return the problem of a match of three notes."""
    from tests.benchmarks.bench_known_answers import target_of  # noqa: PLC0415  reads notes

    problem = make_problem(target_of(known_instrument("brass_family")), load_structure("complete"))
    assert len(problem.references) == 3
    return problem


PROBLEM = _problem()
