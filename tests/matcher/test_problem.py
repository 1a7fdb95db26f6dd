"""Vectors of a search and what they stand for."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from matcher.evaluator import Evaluator
from matcher.losses import DEFAULT_WEIGHTS, PARTS, NoteTarget, totals
from matcher.problem import Problem
from shared import CATALOGUE, PHASE_NAMES, PULSE_KIND, Note, NotePhases, ParameterSpace
from tests.plain_notes import plain_note
from voice import list_structures, load_structure
from voice.structure import parse_structure

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import FloatArray

STRUCTURES = list_structures()


def problem_of(structure: str, n_notes: int = 1, *, only: tuple[str, ...] = ()) -> Problem:
    """Return the problem of all free parameters of a structure, or of some."""
    voice = load_structure(structure)
    space = voice.space.only(*only) if only else voice.space
    return Problem(voice, space, voice.complete({}), n_notes)


PROBLEMS = {(name, n): problem_of(name, n) for name in STRUCTURES for n in (1, 3)}


@st.composite
def problems_and_vectors(draw: st.DrawFn) -> tuple[Problem, FloatArray]:
    """Draw a problem and up to four vectors."""
    problem = PROBLEMS[draw(st.sampled_from(sorted(PROBLEMS)))]
    shape = draw(st.integers(1, 4)), problem.n_dimensions
    return problem, draw(hnp.arrays(np.float64, shape, elements=st.floats(0.0, 1.0)))


def named(row: FloatArray) -> dict[str, float]:
    """Name a row of values of the whole catalogue."""
    return dict(zip(CATALOGUE.names, row.tolist(), strict=True))


def names_of_phases(problem: Problem) -> list[str]:
    """Name the phases that are searched, but for the place, which every note has."""
    names = [PHASE_NAMES[column] for column in problem.phase_columns]
    return [name for name in names if name != "note.place"]


@settings(max_examples=25)
@given(problems_and_vectors())
def test_values_lie_within_the_ranges(drawn: tuple[Problem, FloatArray]) -> None:
    """Whatever the search proposes, the voice can play."""
    problem, vectors = drawn
    for row in problem.values(vectors):
        CATALOGUE.validate(named(row))
        problem.space.validate({name: named(row)[name] for name in problem.space.names})


@settings(max_examples=25)
@given(problems_and_vectors())
def test_values_and_phases_lead_back_to_the_vector(drawn: tuple[Problem, FloatArray]) -> None:
    """Decoding and encoding changes nothing: continuous, stepped or round."""
    problem, vectors = drawn
    vector = vectors[0]
    back = problem.vector(named(problem.values(vectors)[0]), problem.note_phases(vector))
    n = len(problem.space)
    expected = problem.space.encode(problem.space.decode(vector[:n]))
    # 1e-9: decoding to hertz or seconds and back through logarithms and roots.
    np.testing.assert_allclose(back[:n], expected, atol=1e-9)
    # A kind of pulse comes back in the middle of its cell.
    turned = vector[n:] % 1.0
    in_cell = 0.25 + 0.5 * (vector[n:] >= 0.5)
    np.testing.assert_array_equal(back[n:], np.where(problem.cells[n:], in_cell, turned))


@settings(max_examples=25)
@given(problems_and_vectors())
def test_a_second_round_trip_changes_no_value(drawn: tuple[Problem, FloatArray]) -> None:
    """A patch that is taken up again sounds as it did."""
    problem, vectors = drawn
    values = problem.values(vectors)
    again = np.stack([problem.vector(named(row)) for row in values])
    np.testing.assert_allclose(problem.values(again), values, rtol=1e-9, atol=1e-9)


@settings(max_examples=25)
@given(problems_and_vectors())
def test_what_is_not_searched_rests(drawn: tuple[Problem, FloatArray]) -> None:
    """Parameters outside the space have the base's values in every candidate."""
    problem, vectors = drawn
    resting = [
        name
        for name in CATALOGUE.names
        if name not in problem.space and name not in problem.structure.links
    ]
    columns = [CATALOGUE.index(name) for name in resting]
    expected = np.array([problem.base[name] for name in resting])
    for row in problem.values(vectors)[:, columns]:
        np.testing.assert_array_equal(row, expected)


@settings(max_examples=25)
@given(problems_and_vectors())
def test_linked_parameters_move_together(drawn: tuple[Problem, FloatArray]) -> None:
    """One control, several parameters; one LFO, one phase. A switch sets what it says it sets."""
    problem, vectors = drawn
    values = problem.values(vectors)
    for name, source in problem.structure.links.items():
        leading = values[:, CATALOGUE.index(source)]
        table = problem.structure.link_values.get(name)
        expected = leading if table is None else [table[value] for value in leading]
        np.testing.assert_array_equal(values[:, CATALOGUE.index(name)], expected)
    phases = problem.phases(vectors, problem.n_notes - 1)
    for name, source in problem.structure.links.items():
        if name.endswith(".rate_hz"):
            linked, own = (
                PHASE_NAMES.index(f"{x.removesuffix('.rate_hz')}.phase") for x in (name, source)
            )
            np.testing.assert_array_equal(phases[:, linked], phases[:, own])


@settings(max_examples=25)
@given(problems_and_vectors())
def test_phases_are_cycles(drawn: tuple[Problem, FloatArray]) -> None:
    """From 0 up to, but not including, 1; those that can't be heard are 0."""
    problem, vectors = drawn
    for i_note in range(problem.n_notes):
        phases = problem.phases(vectors, i_note)
        assert phases.shape == (len(vectors), len(PHASE_NAMES))
        assert np.all((phases >= 0.0) & (phases < 1.0))


def test_each_note_has_phases_of_its_own() -> None:
    """The patch is shared, the phases are not: they stand behind each other in the vector."""
    problem = PROBLEMS["pulse-strings", 3]
    vector = np.random.default_rng(1).random(problem.n_dimensions)
    n = len(problem.phase_columns)
    assert problem.n_dimensions == len(problem.space) + 3 * n + len(problem.pulse_columns)
    for i_note in range(3):
        first = len(problem.space) + i_note * n
        found = problem.phases(vector[None, :], i_note)[0, list(problem.phase_columns)]
        np.testing.assert_array_equal(found, vector[first : first + n])
    assert [dict(p) for p in problem.note_phases(vector)] == [
        dict(zip(PHASE_NAMES, problem.phases(vector[None, :], i)[0], strict=True))
        for i in range(3)
    ]


@pytest.mark.parametrize(
    ("structure", "expected"),
    [
        ("one-oscillator", ["osc1.phase"]),
        ("two-oscillator", ["osc2.phase", "osc1.phase"]),
        ("pulse-strings-one-lfo", ["osc2.phase", "osc1.vibrato.phase", "osc1.phase"]),
        ("pulse-strings", [name for name in PHASE_NAMES if name.startswith("osc")]),
        ("complete", [name for name in PHASE_NAMES if name not in {"note.place", *PULSE_KIND}]),
    ],
)
def test_only_phases_that_can_be_heard_are_searched(structure: str, expected: list[str]) -> None:
    """No oscillator 2, no phase of it; one LFO for all, one phase for all."""
    assert names_of_phases(problem_of(structure)) == expected


def test_an_lfo_that_moves_pitch_and_cutoff_has_one_phase() -> None:
    """As on an instrument with a single LFO: the rates are linked, so the phases are."""
    voice = parse_structure(
        """
        schema_version = 1
        name = "one-lfo"
        meaning = "One LFO for pitch and cutoff."
        [free]
        "osc1.vibrato.rate_hz" = {}
        "osc1.vibrato.depth_cents" = {}
        "filter_lfo.depth_octaves" = {}
        [links]
        "filter_lfo.rate_hz" = "osc1.vibrato.rate_hz"
        """,
        source="one-lfo.toml",
    )
    problem = Problem(voice, voice.space, voice.complete({}), 1)
    assert names_of_phases(problem) == ["osc1.vibrato.phase", "osc1.phase"]
    vector = np.full(problem.n_dimensions, 0.3)
    rates = named(problem.values(vector[None, :])[0])
    assert rates["filter_lfo.rate_hz"] == rates["osc1.vibrato.rate_hz"]
    assert problem.note_phases(vector)[0]["filter_lfo.phase"] == 0.3


def test_a_phase_is_heard_if_its_depth_stands_fixed_away_from_zero() -> None:
    """Holding the depth of a vibrato does not hold its phase."""
    problem = problem_of("pulse-strings", only=("filter.cutoff_hz",))
    assert names_of_phases(problem) == ["osc1.phase"]
    base = {**problem.base, "osc1.vibrato.depth_cents": 12.0}
    moving = Problem(problem.structure, problem.space, base, 1)
    assert names_of_phases(moving) == ["osc1.vibrato.phase", "osc1.phase"]


@pytest.mark.parametrize(
    ("said", "n_searched"), [("", 2), ('pulse_polarity = "opposite"', 1)], ids=["open", "said"]
)
def test_a_structure_may_say_how_pulses_jump(said: str, n_searched: int) -> None:
    """Open, both kinds are searched, one for all notes; said, patches have it."""
    text = f"""
        schema_version = 1
        name = "lead"
        meaning = "Sawtooth and pulse."
        {said}
        [free]
        "osc1.saw_level" = {{}}
        "osc1.pulse_level" = {{}}
        """
    voice = parse_structure(text, source="lead.toml")
    problem = Problem(voice, voice.space, voice.complete({}), 2)
    assert len(problem.pulse_columns) == n_searched
    kinds = [{"pulse.edge": 0.5, "pulse.polarity": 0.5}, {}]
    found = problem.note_phases(problem.vector({}, [NotePhases(kind) for kind in kinds]))
    assert [[phases[name] for name in PULSE_KIND] for phases in found] == [[0.5, 0.5]] * 2
    resting = problem.note_phases(problem.vector({}))[0]["pulse.polarity"]
    assert resting == (0.5 if said else 0.0)


@pytest.mark.parametrize("name", STRUCTURES)
def test_only_phases_go_round(name: str) -> None:
    """0 and 1 are the same phase, but never the same value of a parameter."""
    problem = PROBLEMS[name, 3]
    n_phases = 3 * len(problem.phase_columns)
    of_pulses = [False] * len(problem.pulse_columns)
    assert problem.circular.tolist() == [
        *[False] * len(problem.space),
        *[True] * n_phases,
        *of_pulses,
    ]


@pytest.mark.parametrize("name", STRUCTURES)
def test_cells_count_what_a_stepped_parameter_can_be(name: str) -> None:
    """As many cells as values come out of a fine sweep; 0 for what is continuous."""
    problem = PROBLEMS[name, 1]
    sweep = np.repeat(np.linspace(0.0, 1.0, 501)[:, None], len(problem.space), axis=1)
    values = problem.space.decode(sweep)
    for i, parameter in enumerate(problem.space):
        n_values = len(np.unique(values[:, i]))
        stepped = parameter.step is not None or parameter.choices
        assert problem.cells[i] == (n_values if stepped else 0)
    rest = problem.cells[len(problem.space) :].tolist()
    assert rest == [0] * len(problem.phase_columns) + [2] * len(problem.pulse_columns)
    assert problem.cells.shape == (problem.n_dimensions,)


def test_steps_on_a_logarithmic_scale_have_no_equal_cells() -> None:
    """Steps of 500 Hz lie close together above: the centres of equal cells would miss some."""
    cutoff, resonance = (CATALOGUE[f"filter.{end}"] for end in ("cutoff_hz", "resonance_ratio"))
    stepped = replace(cutoff, low=500.0, high=5000.0, neutral=5000.0, step=500.0)
    space = ParameterSpace((stepped, replace(resonance, step=0.25)))
    voice = load_structure("two-oscillator")
    problem = Problem(voice, space, voice.complete({}), 1)
    assert problem.cells[:2].tolist() == [0, 5]


def test_values_outside_a_range_move_to_its_end() -> None:
    """What the analysis reads off a note may lie beyond the instrument."""
    problem = problem_of("two-oscillator")
    space = problem.space
    vector = problem.vector({"filter.cutoff_hz": 20.0, "amp_env.release_s": 100.0})
    found = space.to_dict(space.decode(vector[: len(space)]))
    assert found["filter.cutoff_hz"] == pytest.approx(space["filter.cutoff_hz"].low)
    assert found["amp_env.release_s"] == pytest.approx(space["amp_env.release_s"].high)


def test_values_left_out_stand_at_the_base() -> None:
    """No value given: the resting voice."""
    problem = problem_of("two-oscillator")
    row = named(problem.values(problem.vector({})[None, :])[0])
    assert row == pytest.approx(problem.base, rel=1e-9, abs=1e-12)


def test_phases_left_out_stand_apart() -> None:
    """Two oscillators or LFOs that start together are a special case, not a start."""
    phases = PROBLEMS["complete", 3].note_phases(PROBLEMS["complete", 3].vector({}))
    assert all(len(set(note.values())) > 1 for note in phases)


TARGETS: Mapping[float, float] = {57.0: 220.0, 69.0: 440.0}


def evaluator(weights: Mapping[str, float] | None = None) -> Evaluator:
    """Return an evaluator of two notes."""
    targets = [
        NoteTarget(plain_note(pitch_hz=hz, sample_rate_hz=22_050), sample_rate_hz=22_050)
        for hz in TARGETS.values()
    ]
    notes = [Note(pitch, gate_s=0.5) for pitch in TARGETS]
    return Evaluator(PROBLEMS_OF_TWO, targets, notes, weights=weights, n_threads=2, seed=1)


PROBLEMS_OF_TWO = problem_of("two-oscillator", 2)


def test_the_loss_is_the_mean_over_the_notes(rng: np.random.Generator) -> None:
    """Each note counts the same; the parts are means as well."""
    vectors = rng.random((5, PROBLEMS_OF_TWO.n_dimensions))
    with evaluator() as judge:
        scores = judge.scores(vectors)
        losses, parts = judge.losses_and_scores(vectors)
    assert scores.shape == (2, 5, len(PARTS))
    np.testing.assert_allclose(losses, (totals(scores[0]) + totals(scores[1])) / 2.0, rtol=1e-12)
    np.testing.assert_allclose(parts, scores.mean(axis=0), rtol=1e-12)


def test_the_phases_of_one_note_do_not_touch_the_other(rng: np.random.Generator) -> None:
    """Turning its phase changes the last note alone."""
    vectors = np.tile(rng.random(PROBLEMS_OF_TWO.n_dimensions), (2, 1))
    levels = [PROBLEMS_OF_TWO.space.names.index(f"osc{i}.saw_level") for i in (1, 2)]
    vectors[:, levels] = 1.0
    last = PROBLEMS_OF_TWO.pulse_entries[0] - 1
    vectors[1, last] = (vectors[1, last] + 0.5) % 1.0
    with evaluator() as judge:
        scores = judge.scores(vectors)
    np.testing.assert_array_equal(scores[0, 0], scores[0, 1])
    assert np.any(scores[1, 0] != scores[1, 1])


def test_weights_reach_the_loss(rng: np.random.Generator) -> None:
    """Another weight, another loss of the same parts."""
    vectors = rng.random((3, PROBLEMS_OF_TWO.n_dimensions))
    weights = {**DEFAULT_WEIGHTS, "onset": 5.0}
    with evaluator() as plain, evaluator(weights) as weighted:
        (losses, parts), (other, same) = (e.losses_and_scores(vectors) for e in (plain, weighted))
    np.testing.assert_array_equal(parts, same)
    assert np.all(losses != other)


def test_the_evaluator_does_not_change_its_input(rng: np.random.Generator) -> None:
    """The sampler's candidates stay its own."""
    vectors = rng.random((20, PROBLEMS_OF_TWO.n_dimensions))
    before = vectors.copy()
    with evaluator() as judge:
        judge.losses(vectors)
    np.testing.assert_array_equal(vectors, before)


def test_what_is_rendered_is_counted_by_length_and_notes(rng: np.random.Generator) -> None:
    """Whole candidates count one each, one of two equally long notes half."""
    vectors = rng.random((6, PROBLEMS_OF_TWO.n_dimensions))
    with evaluator() as judge:
        both = judge.scores(vectors)
        assert judge.n_rendered == pytest.approx(6.0)
        second = judge.scores(vectors, [1])
        assert judge.n_rendered == pytest.approx(6.0 + 6.0 * judge.shares[1])
    np.testing.assert_array_equal(second, both[1:])
