"""A candidate on the notes of a target: its sounds, and the response of level to velocity."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.evaluator import Evaluator
from matcher.losses import NoteTarget
from matcher.matching import make_problem
from matcher.playing import noise_seed, play_notes, prepare_note, with_velocity_level
from matcher.problem import Problem
from matcher.target import Target, target_from_signal
from shared import CATALOGUE
from tests.own_notes import BRASS, GATE_S, RATE_HZ
from voice import DEFAULT_PHASES, load_structure, render

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

LEVEL = "amp_env.velocity_db"
WANTED: Mapping[str, float] = {**BRASS, LEVEL: 18.0, "filter_env.velocity_octaves": 1.5}
NOTES = ((60.0, 40), (60.0, 100), (72.0, 100))


def target_of(
    notes: Sequence[tuple[float, int]] = NOTES,
    values: Mapping[str, float] = WANTED,
    gains: Sequence[float] = (),
) -> Target:
    """Return notes of our own voice, each recorded at its own gain."""
    return Target(
        tuple(
            target_from_signal(
                (gains[i] if gains else 0.2)
                * render(
                    values,
                    midi_pitch=pitch,
                    velocity=velocity,
                    gate_s=GATE_S,
                    duration_s=0.45,
                    sample_rate_hz=RATE_HZ,
                ),
                RATE_HZ,
                midi_pitch=pitch,
                velocity=velocity,
                gate_s=GATE_S,
            )
            for i, (pitch, velocity) in enumerate(notes)
        )
    )


def prepared(target: Target) -> list[NoteTarget]:
    """Return what the losses know of each note."""
    return [
        NoteTarget(note.signal, sample_rate_hz=RATE_HZ, gate_s=note.note.gate_s)
        for note in target.notes
    ]


def found_level(
    target: Target, values: Mapping[str, float], problem: Problem | None = None
) -> float:
    """Return the parameter that is found around these values."""
    problem = problem or make_problem(target, load_structure("complete"))
    vector = problem.vector(values, [DEFAULT_PHASES] * len(target.notes))
    notes = [note.note for note in target.notes]
    found = with_velocity_level(problem, vector, prepared(target), notes, seed=0)
    return float(problem.values(found[None, :])[0, CATALOGUE.index(LEVEL)])


def test_noise_around_a_note_is_no_part_of_it(rng: np.random.Generator) -> None:
    """With noise 50 dB down the right settings are close; without its level they wouldn't be."""
    sound = render(BRASS, midi_pitch=60.0, gate_s=GATE_S, duration_s=0.6, sample_rate_hz=RATE_HZ)
    silence = np.zeros(RATE_HZ // 5)
    signal = np.concatenate([silence, 0.2 * sound / np.abs(sound).max(), silence])
    signal += 0.0006 * rng.standard_normal(len(signal))
    target = Target((target_from_signal(signal, RATE_HZ, midi_pitch=60.0, gate_s=GATE_S),))
    problem = make_problem(target, load_structure("complete"))
    vector, notes = problem.vector(BRASS, [DEFAULT_PHASES]), [target.notes[0].note]
    losses = []
    for known in (prepare_note(target.notes[0]), *prepared(target)):
        with Evaluator(problem, [known], notes) as evaluator:
            losses.append(float(evaluator.losses(vector[None, :])[0]))
    assert losses[0] < 0.2
    assert losses[1] > 1.0


@pytest.mark.parametrize("start_db", [0.0, 7.0, 40.0])
def test_the_level_of_velocities_comes_out_exactly(start_db: float) -> None:
    """Around the right patch, from any start, in one step."""
    # 0.001 dB: renders and energies are in single precision.
    found = found_level(target_of(), {**WANTED, LEVEL: start_db})
    assert found == pytest.approx(18.0, abs=1e-3)


def test_a_wrong_filter_hardly_shifts_it() -> None:
    """It is measured on the levels as they are rendered, brightness included."""
    wrong = {**WANTED, LEVEL: 0.0, "filter.cutoff_hz": 700.0, "filter_env.decay_s": 0.2}
    # 0.5 dB is below the just-noticeable difference of level (about 1 dB, from memory).
    assert found_level(target_of(), wrong) == pytest.approx(18.0, abs=0.5)


def test_a_recording_level_of_its_own_for_each_key_does_no_harm() -> None:
    """C5 was recorded 14 dB lower; C4 at two velocities tells all."""
    found = found_level(target_of(gains=(0.2, 0.2, 0.04)), {**WANTED, LEVEL: 0.0})
    assert found == pytest.approx(18.0, abs=1e-3)


@pytest.mark.parametrize(("gains", "end_db"), [((0.9, 0.05, 0.05), 0.0), ((1e-3, 0.9, 0.9), 40.0)])
def test_the_range_is_kept(gains: tuple[float, ...], end_db: float) -> None:
    """Recordings at levels of their own may ask for more than the voice has."""
    assert found_level(target_of(gains=gains), {**WANTED, LEVEL: 5.0}) == end_db


def test_notes_of_one_velocity_leave_it() -> None:
    """They can't tell it; it stays where it was, at neutral."""
    assert found_level(target_of(((60.0, 100), (72.0, 100))), WANTED) == 0.0


def test_a_structure_that_fixes_it_keeps_it() -> None:
    """What the user's instrument can't do isn't invented."""
    target = target_of()
    structure = load_structure("complete")
    held = structure.space.hold(LEVEL)
    base = {**structure.complete({}), LEVEL: 3.0}
    assert found_level(target, WANTED, Problem(structure, held, base, 3)) == 3.0


def test_a_control_that_sets_two_parameters_is_left_to_the_search() -> None:
    """Its other parameter is heard by the losses."""
    structure = replace(load_structure("complete"), links={"filter.drive_db": LEVEL})
    space = structure.space.hold("filter.drive_db").replace(LEVEL, high=36.0)
    problem = Problem(structure, space, structure.complete({}), 3)
    assert found_level(target_of(), {**WANTED, LEVEL: 7.0}, problem) == pytest.approx(7.0)


def test_the_parameter_is_not_heard_by_the_losses() -> None:
    """The reason why it needs no search: sounds differ by a gain alone."""
    target = target_of()
    problem = make_problem(target, load_structure("complete"))
    soft, loud = (
        play_notes(
            problem,
            problem.vector({**WANTED, LEVEL: level_db}),
            prepared(target),
            [note.note for note in target.notes],
            seed=0,
        )
        for level_db in (0.0, 24.0)
    )
    for note, a, b in zip(NOTES, soft, loud, strict=True):
        gain = 10.0 ** (24.0 * (note[1] - 100) / 99.0 / 20.0)
        # 1e-5 of the peak: single precision, and the voice rounds -120 dB down to silence.
        np.testing.assert_allclose(b, gain * a, atol=1e-5 * np.abs(b).max())


@pytest.mark.parametrize(
    ("settings", "seed"),
    [
        ({"seed": 4}, 4),
        ({"seed": 0, "noise_seed": 4}, 4),
        ({"seed": -1}, 0),
        ({"seed": "4"}, 0),
        (None, 0),
    ],
)
def test_the_noise_is_that_of_the_match(settings: object, seed: int) -> None:
    """A refinement keeps the noise of its run beside its own seed; no sense is 0."""
    assert noise_seed(settings) == seed
