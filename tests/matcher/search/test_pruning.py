"""Pruning: of two patches that sound the same the plainer one, settled on a panel's steps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.matching import make_problem
from matcher.problem import Problem
from matcher.search.pruning import (
    kept_off,
    plain_vector,
    settle_on_steps,
    with_oscillator_1_first,
)
from shared import CATALOGUE, FloatArray, NotePhases
from tests.benchmarks.bench_panel_steps import coarse_panel
from tests.own_notes import own_target
from voice import load_structure

if TYPE_CHECKING:
    from collections.abc import Callable

# Controls of the coarse panel.
N = 7


def _problem(structure: str) -> Problem:
    """Make a problem of one note."""
    voice = load_structure(structure)
    return Problem(voice, voice.space, voice.complete({}), 1)


def _heard(values: dict[str, float]) -> dict[str, object]:
    """Say what is heard of a patch: its sounding oscillators, whichever they are, and the rest."""
    oscillators = []
    for osc, detune in (("osc1", 0.0), ("osc2", values["osc2.detune_cents"])):
        sound = {n[5:]: x for n, x in values.items() if n.startswith(osc) and "detune" not in n}
        if any(x for n, x in sound.items() if n.endswith("_level")):
            pitch = round(values["tune_cents"] + detune, 6)
            oscillators.append((pitch, tuple(sorted(sound.items()))))
    rest = {n: x for n, x in values.items() if not n.startswith(("osc", "tune"))}
    return {"oscillators": sorted(oscillators), **rest}


def _plain(problem: Problem, settings: dict[str, float], unheard: tuple[str, ...]) -> FloatArray:
    """Make a patch plain when only some parameters may be changed without being heard."""
    vector = problem.vector(settings)

    def heard(row: FloatArray) -> dict[str, object]:
        return _heard({**problem.named_values(row), **dict.fromkeys(unheard, 0.0)})

    def losses(candidates: FloatArray) -> FloatArray:
        return np.array([1.0 if heard(row) == heard(vector) else 2.0 for row in candidates])

    return plain_vector(problem, vector, 1.0, losses, n_evaluations=2000)[0]


def test_a_part_that_nobody_hears_goes_back_to_neutral() -> None:
    """A vibrato whose depth makes no difference is switched off, and one that does stays."""
    problem = _problem("complete")
    settings = {"osc1.vibrato.depth_cents": 7.0, "noise.level": 0.2}
    plain = problem.named_values(_plain(problem, settings, ("osc1.vibrato.depth_cents",)))
    assert plain["osc1.vibrato.depth_cents"] == 0.0
    assert plain["noise.level"] == pytest.approx(0.2)


def test_one_oscillator_is_oscillator_1_in_tune_with_itself() -> None:
    """What oscillator 2 does alone moves to oscillator 1, its detune into the tuning."""
    problem = _problem("complete")
    settings = {
        "osc1.saw_level": 0.0,
        "osc2.pulse_level": 1.0,
        "osc2.pulse_width_ratio": 0.3,
        "osc2.detune_cents": 3.0,
        "tune_cents": -1.0,
    }
    swapped = with_oscillator_1_first(problem, problem.vector(settings))
    assert swapped is not None
    plain = problem.named_values(swapped)
    assert plain["osc2.pulse_level"] == 0.0
    assert plain["osc1.pulse_level"] == pytest.approx(1.0)
    assert plain["osc1.pulse_width_ratio"] == pytest.approx(0.3)
    assert plain["tune_cents"] == pytest.approx(2.0)
    assert plain["osc2.detune_cents"] == pytest.approx(0.0, abs=1e-9)


def test_oscillator_1_begins_where_oscillator_2_did() -> None:
    """The note sounds the same: phases of oscillator and LFOs move along."""
    target = own_target(57.0, gate_s=0.5)
    problem = make_problem(target, load_structure("complete"))
    settings = {
        "osc1.saw_level": 0.0,
        "osc2.saw_level": 1.0,
        "osc2.octave": 1.0,
        "osc2.vibrato.depth_cents": 30.0,
        "osc2.vibrato.rate_hz": 5.0,
    }
    starts = {"osc2.phase": 0.3, "osc2.vibrato.phase": 0.6, "osc1.phase": 0.2}
    vector = problem.vector(settings, [NotePhases(starts)])
    swapped = with_oscillator_1_first(problem, vector)
    assert swapped is not None
    found = problem.note_phases(swapped)[0]
    assert found["osc1.phase"] == pytest.approx(0.3, abs=1e-6)
    assert found["osc1.vibrato.phase"] == pytest.approx(0.6, abs=1e-6)


def test_oscillators_that_both_sound_stay_where_they_are() -> None:
    """Nothing changes places while both are heard."""
    problem = _problem("complete")
    settings = {"osc1.saw_level": 0.5, "osc2.pulse_level": 1.0, "osc2.detune_cents": 3.0}
    plain = problem.named_values(_plain(problem, settings, ()))
    assert plain["osc2.pulse_level"] == pytest.approx(1.0)
    assert plain["osc1.saw_level"] == pytest.approx(0.5)


def test_what_both_oscillators_do_for_nothing_is_switched_off_together() -> None:
    """Two bends that make up for each other stay alone, and go as a pair."""
    problem = _problem("complete")
    bends = [f"osc{i}.pitch_env.depth_cents" for i in (1, 2)]
    vector = problem.vector({"osc2.saw_level": 1.0, **dict.fromkeys(bends, 15.0)})
    sides = [problem.space.index(name) for name in bends]
    others = np.setdiff1d(np.arange(problem.n_dimensions), sides)

    def losses(candidates: FloatArray) -> FloatArray:
        is_apart = candidates[:, sides[0]] != candidates[:, sides[1]]
        is_other = np.any(candidates[:, others] != vector[others], axis=1)
        return 1.0 + is_apart + is_other

    plain = problem.named_values(plain_vector(problem, vector, 1.0, losses, n_evaluations=500)[0])
    assert [plain[name] for name in bends] == [0.0, 0.0]


def test_parts_are_switched_off_together_as_long_as_nobody_hears_it() -> None:
    """A few rounds do for many parts; all of them at once would be heard."""
    problem = _problem("complete")
    bands = CATALOGUE.only("bank.*").names
    vector = problem.vector(dict.fromkeys(bands, 2.0) | {"osc2.saw_level": 1.0})
    columns = [problem.space.index(name) for name in bands]
    others = np.setdiff1d(np.arange(problem.n_dimensions), columns)
    asked = []

    def losses(candidates: FloatArray) -> FloatArray:
        asked.append(len(candidates))
        n_off = np.sum(candidates[:, columns] != vector[columns], axis=1)
        is_other = np.any(candidates[:, others] != vector[others], axis=1)
        return 1.0 + 0.01 * n_off + is_other

    # The allowance is 0.08: eight bands.
    plain, _ = plain_vector(problem, vector, 1.0, losses, n_evaluations=500)
    assert np.count_nonzero(plain[columns] != vector[columns]) == 8
    assert sum(asked) < 80


@pytest.fixture(scope="module")
def panel() -> Problem:
    """Make a problem of seven coarse controls and one phase."""
    structure = coarse_panel(is_stepped=True)
    return Problem(structure, structure.space, structure.complete({}), 1)


def valley(panel: Problem, best: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """Return a bent valley over the cells: two controls must move together to go down it."""

    def losses(vectors: FloatArray) -> FloatArray:
        cells = np.floor(vectors[:, :N] * panel.cells[:N]) - best
        along, across = cells[:, 0] + cells[:, 4], cells[:, 0] - cells[:, 4]
        rest = np.sum(cells[:, [1, 2, 3, 5, 6]] ** 2, axis=1)
        return np.asarray(along**2 + 50.0 * across**2 + rest, dtype=np.float64)

    return losses


def test_it_goes_down_a_valley_that_single_steps_do_not_see(panel: Problem) -> None:
    """From (0, 0) to (3, 3) each single step costs 50; only pairs lead there."""
    start = np.full(panel.n_dimensions, 0.5)
    # Resonance and filter envelope do something; what is at rest stays there.
    start[:N] = (np.array([0, 0, 1, 2, 0, 0, 0]) + 0.5) / panel.cells[:N]
    best = np.array([3.0, 1.0, 2.0, 1.0, 3.0, 2.0, 1.0])
    losses = valley(panel, best)
    found, loss = settle_on_steps(
        panel, start, float(losses(start[None])[0]), losses, n_evaluations=10_000
    )
    np.testing.assert_array_equal(np.floor(found[:N] * panel.cells[:N]), best)
    assert loss == 0.0


@pytest.mark.parametrize("n_evaluations", [0, 5, 20, 100])
def test_it_keeps_to_its_budget_and_never_gets_worse(panel: Problem, n_evaluations: int) -> None:
    """No candidate beyond the budget is scored, and the loss told is that of the vector."""
    counted = []
    inner = valley(panel, np.array([3.0, 1.0, 2.0, 1.0, 3.0, 2.0, 1.0]))

    def losses(vectors: FloatArray) -> FloatArray:
        counted.append(len(vectors))
        return inner(vectors)

    start = np.full(panel.n_dimensions, 0.4)
    before = float(inner(start[None])[0])
    found, loss = settle_on_steps(panel, start, before, losses, n_evaluations=n_evaluations)
    assert sum(counted) <= n_evaluations
    assert loss == float(inner(found[None])[0]) <= before


def test_phases_stay(panel: Problem) -> None:
    """Only controls with steps are moved."""
    start = np.full(panel.n_dimensions, 0.37)
    losses = valley(panel, np.zeros(N))
    found, _ = settle_on_steps(panel, start, 1e9, losses, n_evaluations=500)
    np.testing.assert_array_equal(found[N:], start[N:])


def test_what_was_off_comes_on_only_if_it_is_heard() -> None:
    """A refinement has moved two parts that were off: the one that nobody hears is as it was."""
    problem = _problem("two-oscillator")
    before = problem.vector({"osc2.saw_level": 0.0, "osc2.pulse_level": 0.0})
    names = problem.space.names
    heard, unheard = (names.index(f"osc2.{wave}_level") for wave in ("saw", "pulse"))
    vector = before.copy()
    vector[[heard, unheard]] = 0.3
    vector[names.index("filter.cutoff_hz")] = 0.6

    def losses(rows: FloatArray) -> FloatArray:
        return 1.0 + (rows[:, heard] == before[heard])

    kept = kept_off(problem, before, vector, 1.0, losses, n_evaluations=100)
    expected = vector.copy()
    expected[unheard] = before[unheard]
    np.testing.assert_array_equal(kept, expected)
