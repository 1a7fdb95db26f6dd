"""From the plain patch to the final one: the step that helps most first, with its sound.

Each step sets one part of the panel to what it is in the patch. Where no part helps alone,
the step is taken that helps most together with the next one. It ends when what is left to set
can't be heard, and a step that can't be heard alone is taken together with another.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.explaining.model import BuildOrder, BuildStep
from matcher.explaining.prepared_run import against_itself
from matcher.explaining.sound_files import write_together
from matcher.parts import parameter_label, voice_parts
from shared import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matcher.explaining.clock import Clock
    from matcher.explaining.prepared_run import PreparedRun
    from shared import FloatArray

__all__ = ["BUILD_FOLDER", "build_order", "plain_start"]

BUILD_FOLDER = "build"
# What changes by less than a just-noticeable difference is no step.
AUDIBLE_STEPS = 1.0


@dataclass(frozen=True, eq=False)
class _Move:
    """One part, or two that only work together, and the candidate with them set."""

    parts: tuple[str, ...]
    vector: FloatArray


@dataclass(frozen=True, eq=False)
class _Taken:
    """A step that was taken."""

    move: _Move
    loss: float
    change: float


def build_order(prepared: PreparedRun, clock: Clock, folder: Path | None = None) -> BuildOrder:
    """Find the order in which to set the parts of a patch; quick, so it is found in any case.

    Sounds are written into the run folder, ``build/00.wav`` (the plain patch) and on, if there is
    one.
    """
    start = plain_start(prepared)
    current, left = start, _parts_to_set(prepared, start)
    taken: list[_Taken] = []
    while left:
        clock.show(f"build order, step {len(taken) + 1}")
        with against_itself(prepared, current) as own:
            if _change(own, [prepared.vector])[0] < AUDIBLE_STEPS:
                break
            move, change = _choose(prepared, own, current, left)
        current = move.vector
        loss = float(prepared.evaluator.losses(current[None, :])[0])
        taken.append(_Taken(move, loss, change))
        left = {title: names for title, names in left.items() if title not in move.parts}
    files = _write(prepared, [start, *(step.move.vector for step in taken)], folder)
    steps = zip(itertools.count(1), taken, files[1:], strict=False)
    return BuildOrder(
        start_text=_start_text(prepared, start),
        start_loss=float(prepared.evaluator.losses(start[None, :])[0]),
        final_loss=prepared.loss.total,
        start_file=files[0],
        steps=tuple(_step(prepared, start, number, step, file) for number, step, file in steps),
        left_out=tuple(_text(prepared, start, title) for title in left),
    )


def plain_start(prepared: PreparedRun) -> FloatArray:
    """Return the plain patch of the structure: every part at rest, phases as in the patch."""
    resting = prepared.problem.structure.complete({})
    return prepared.problem.vector(
        {name: resting[name] for name in prepared.problem.space.names}, prepared.patch.phases
    )


def _parts_to_set(prepared: PreparedRun, start: FloatArray) -> dict[str, tuple[str, ...]]:
    """List the parts that differ from the plain patch, with the parameters that do."""
    space, used = prepared.problem.space, prepared.controls_of(prepared.used)
    before = prepared.values_of(start)
    parts = {}
    for part in voice_parts():
        names = tuple(
            name
            for name in part.names
            if name in space and (name in used or _sounds(name, before))
        )
        if any(before[name] != prepared.values[name] for name in names):
            parts[part.title] = names
    return parts


def _sounds(name: str, values: dict[str, float]) -> bool:
    """Whether a level is up, so that the patch may have to turn it down."""
    return name.endswith("_level") and values[name] > 0.0


def _choose(
    prepared: PreparedRun, own: PreparedRun, current: FloatArray, left: dict[str, tuple[str, ...]]
) -> tuple[_Move, float]:
    """Choose the next step, and say how far the sound moves in it."""
    single = [_move(prepared, current, (title,), left) for title in left]
    losses = prepared.evaluator.losses(np.stack([move.vector for move in single]))
    changes = _change(own, [move.vector for move in single])
    here = float(prepared.evaluator.losses(current[None, :])[0])
    order = [k for k in np.argsort(losses, kind="stable") if changes[k] >= AUDIBLE_STEPS]
    if (order and losses[order[0]] < here) or len(left) == 1:
        best = order[0] if order else 0
        return single[best], float(changes[best])
    pairs = [_move(prepared, current, pair, left) for pair in itertools.combinations(left, 2)]
    joint = prepared.evaluator.losses(np.stack([move.vector for move in pairs]))
    pair = pairs[int(np.argmin(joint))]
    alone = [k for k in order if single[k].parts[0] in pair.parts]
    if alone:
        return single[alone[0]], float(changes[alone[0]])
    return pair, float(_change(own, [pair.vector])[0])


def _move(
    prepared: PreparedRun,
    current: FloatArray,
    titles: tuple[str, ...],
    left: dict[str, tuple[str, ...]],
) -> _Move:
    """Set parts to what they are in the patch."""
    vector = current.copy()
    columns = [prepared.problem.space.index(name) for title in titles for name in left[title]]
    vector[columns] = prepared.vector[columns]
    return _Move(titles, vector)


def _change(own: PreparedRun, vectors: Sequence[FloatArray]) -> FloatArray:
    """Say how far candidates are from the present sound, in just-noticeable differences."""
    return own.growth(own.evaluator.scores(np.stack(list(vectors))))


def _step(
    prepared: PreparedRun, start: FloatArray, number: int, step: _Taken, file: str
) -> BuildStep:
    """Describe a step."""
    names = [name for title in step.move.parts for name in _parts_to_set(prepared, start)[title]]
    return BuildStep(
        number=number,
        part=" and ".join(step.move.parts),
        text="; ".join(_text(prepared, start, title) for title in step.move.parts),
        values={name: prepared.values[name] for name in names},
        loss=step.loss,
        change=step.change,
        file=file,
    )


def _text(prepared: PreparedRun, start: FloatArray, title: str) -> str:
    """Say what to do, in panel language."""
    before = prepared.values_of(start)
    settings = [
        f"{parameter_label(name)} {CATALOGUE[name].format(prepared.values[name])}"
        for name in _parts_to_set(prepared, start)[title]
        if before[name] != prepared.values[name]
    ]
    return f"{title}: {', '.join(settings)}"


def _start_text(prepared: PreparedRun, start: FloatArray) -> str:
    """Say what the plain patch is."""
    values = prepared.values_of(start)
    sounding = [
        f"{parameter_label(name)} of oscillator {name[3]}"
        for name in CATALOGUE.names
        if name.endswith("_level") and values[name] > 0.0
    ]
    return f"every part off: {' and '.join(sounding) or 'noise'}"


def _write(prepared: PreparedRun, vectors: Sequence[FloatArray], folder: Path | None) -> list[str]:
    """Write the sounds at one gain, and return their names within the run folder."""
    names = [f"{BUILD_FOLDER}/{number:02d}.wav" for number in range(len(vectors))]
    if folder is not None:
        rate = prepared.target.sample_rate_hz
        sounds = [prepared.sounds(vector) for vector in vectors]
        write_together(folder, names, sounds, rate)
    return names
