"""One patch on the notes of a target: its loss, and how it sounds there."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from matcher.evaluator import Evaluator
from matcher.losses import breakdown
from matcher.playing import place_notes, prepare_note
from matcher.problem import Problem
from matcher.result import NoteMatch
from shared import ParameterError, ParameterSpace

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matcher.losses import LossBreakdown
    from matcher.target import Target
    from shared import Patch
    from voice import Structure

__all__ = ["score_patch"]


def score_patch(
    patch: Patch,
    structure: Structure,
    target: Target,
    *,
    gates_s: Sequence[float] = (),
    weights: Mapping[str, float] | None = None,
    seed: int = 0,
) -> tuple[LossBreakdown, tuple[NoteMatch, ...]]:
    """Score a patch as it is, and play it on each note.

    Its phases are taken if it has some for each note; gates are those of the target unless
    `gates_s` has one for each note. Returns the mean loss, and notes of which `start` is `loss`.
    """
    if gates_s and len(gates_s) != len(target.notes):
        raise ParameterError(
            f"gates_s has {len(gates_s)} values; it must have {len(target.notes)}, one for "
            "each note.",
            name="gates_s",
        )
    played = [note.note for note in target.notes]
    if gates_s:
        played = [replace(n, gate_s=gate_s) for n, gate_s in zip(played, gates_s, strict=True)]
    # Nothing moves: a vector is the phases that can be heard.
    problem = Problem(structure, ParameterSpace(()), patch.values, len(played))
    has_phases = len(patch.phases) == len(played)
    vector = problem.vector({}, patch.phases if has_phases else ())
    targets = [prepare_note(note) for note in target.notes]
    with Evaluator(problem, targets, played, weights=weights, seed=seed) as evaluator:
        scores = evaluator.scores(vector[None, :])[:, 0]
    sounds = place_notes(problem, vector, targets, played, seed=seed)
    losses = [breakdown(score, weights) for score in scores]
    notes = tuple(
        NoteMatch(replace(note, note=as_played), sound, loss, loss)
        for note, as_played, sound, loss in zip(target.notes, played, sounds, losses, strict=True)
    )
    return breakdown(np.mean(scores, axis=0), weights), notes
