"""A candidate played on the notes of a target, and the levels between them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import NoteTarget, velocity_slope_db
from matcher.losses.note_target import FLOOR_DB
from voice import NoteRenderer

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.problem import Problem
    from matcher.target import TargetNote
    from shared import Float32Array, FloatArray, Note

__all__ = ["noise_seed", "place_notes", "play_notes", "prepare_note", "with_velocity_level"]

# The noise in one band and frame is above its mean by so much now and then; without, noise 60 dB
# down left the true settings of a note at a loss of 1.4, and at 0.03 with it.
ABOVE_NOISE_DB = 6.0
VELOCITY_LEVEL = "amp_env.velocity_db"


def noise_seed(settings: object) -> int:
    """Return the seed of the voice's noise among the settings of a search; 0 if they don't say.

    A refinement has a seed of its own, and keeps the noise of the run in `noise_seed`.
    """
    given = settings if isinstance(settings, Mapping) else {}
    value = given.get("noise_seed", given.get("seed"))
    is_seed = isinstance(value, int) and not isinstance(value, bool) and value >= 0
    return value if is_seed else 0


def prepare_note(note: TargetNote) -> NoteTarget:
    """Prepare the losses of one note; nothing counts that lies in the noise around it."""
    return NoteTarget(
        note.signal,
        sample_rate_hz=note.sample_rate_hz,
        midi_pitch=note.note.midi_pitch,
        gate_s=note.note.gate_s,
        floor_db=max(FLOOR_DB, note.noise_floor_db + ABOVE_NOISE_DB),
        top_hz=note.analysis.top_hz,
    )


def play_notes(
    problem: Problem,
    vector: FloatArray,
    targets: Sequence[NoteTarget],
    notes: Sequence[Note],
    *,
    seed: int,
) -> list[Float32Array]:
    """Render a candidate on each note, from note start on, at the level of the voice."""
    values = problem.values(vector[None, :])
    sounds = []
    for i, (target, note) in enumerate(zip(targets, notes, strict=True)):
        renderer = NoteRenderer(
            note, n_samples=target.n_render, sample_rate_hz=target.sample_rate_hz, seed=seed
        )
        group = renderer.render(values, problem.phases(vector[None, :], i))
        sounds.append(np.ascontiguousarray(group[:, 0]))
    return sounds


def place_notes(
    problem: Problem,
    vector: FloatArray,
    targets: Sequence[NoteTarget],
    notes: Sequence[Note],
    *,
    seed: int,
) -> list[FloatArray]:
    """Render a candidate on each note, on the timeline and at the energy of its target."""
    sounds = play_notes(problem, vector, targets, notes, seed=seed)
    return [
        target.place(sound, phases["note.place"])
        for target, sound, phases in zip(targets, sounds, problem.note_phases(vector), strict=True)
    ]


def with_velocity_level(
    problem: Problem,
    vector: FloatArray,
    targets: Sequence[NoteTarget],
    notes: Sequence[Note],
    *,
    seed: int,
) -> FloatArray:
    """Set `amp_env.velocity_db` so that the levels between the notes come closest to the target's.

    It is a gain behind everything else, and changes nothing that the losses hear; see
    `matcher.losses.velocity_slope_db`. The candidate stays as it is where the parameter isn't
    searched, is linked to another one, or the notes have one velocity.
    """
    if VELOCITY_LEVEL not in problem.space or VELOCITY_LEVEL in problem.structure.links.values():
        return vector
    sounds = play_notes(problem, vector, targets, notes, seed=seed)
    gains_db = [target.gain_db(sound) for target, sound in zip(targets, sounds, strict=True)]
    slope_db = velocity_slope_db(np.array(gains_db), notes)
    if slope_db is None:
        return vector
    place, parameter = problem.space.index(VELOCITY_LEVEL), problem.space[VELOCITY_LEVEL]
    changed = vector.copy()
    value = float(parameter.decode(vector[place])) + slope_db
    changed[place] = parameter.encode(min(max(value, parameter.low), parameter.high))
    return changed
