"""Single runs of the quality table, each judged by measures that no search sees."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.evaluator import Evaluator
from matcher.hearing import compare_notes
from matcher.leave_out import match_leaving_out
from matcher.matching import make_problem, match
from matcher.playing import place_notes, prepare_note
from tests.benchmarks.quality.optimisers import OPTIMISERS, TimedObjective
from tests.judge import judge
from voice import load_structure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.target import TargetNote
    from shared import FloatArray
    from tests.benchmarks.quality.notes import BenchInstrument, BenchNote

__all__ = ["MEASURES", "OWN", "run_instrument", "run_note"]

OWN = "earwright"
MEASURES = ("log_mel_db", "onset_log_mel_db", "envelope_db", "centroid_ratio", "pitch_cents")


def run_note(
    name: str, note: BenchNote, structure: str, seconds: float, seed: int
) -> dict[str, Any]:
    """Match one note with one optimiser, and judge it."""
    began = time.monotonic()
    find = _run_own if name == OWN else _run_other
    sound, loss, n_evaluations = find(name, note, structure, seconds, seed)
    return {
        "loss": loss,
        "evaluations": n_evaluations,
        "wall_s": time.monotonic() - began,
        **_judged(note.target(), sound),
    }


def run_instrument(
    instrument: BenchInstrument, structure: str, seconds: float, seed: int
) -> dict[str, Any]:
    """Match three notes with one patch of earwright, and try it on the notes left out."""
    began = time.monotonic()
    result = match_leaving_out(
        instrument.target_set(),
        leave_out=instrument.left_out_names(),
        structure=structure,
        seconds=seconds,
        seed=seed,
        progress=False,
    )
    return {
        "loss": result.end.total,
        "evaluations": result.n_evaluations,
        "wall_s": time.monotonic() - began,
        "fitted": [_judged(played.note, played.sound) for played in result.notes],
        "left_out": [_judged(played.note, played.sound) for played in result.left_out],
    }


def _run_own(
    _name: str, note: BenchNote, structure: str, seconds: float, seed: int
) -> tuple[Any, float, int]:
    """Match with earwright; sound, loss, evaluations."""
    result = match(
        note.target_set(), structure=structure, seconds=seconds, seed=seed, progress=False
    )
    return result.notes[0].sound, result.end.total, result.n_evaluations


def _run_other(
    name: str, note: BenchNote, structure: str, seconds: float, seed: int
) -> tuple[Any, float, int]:
    """Match with another optimiser on the same evaluation function; sound, loss, evaluations."""
    target_set = note.target_set()
    target = target_set.notes[0]
    problem = make_problem(target_set, load_structure(structure))
    scored = prepare_note(target)
    with Evaluator(problem, [scored], [target.note], seed=seed) as evaluator:
        evaluator.losses(np.full((1, problem.n_dimensions), 0.5))  # compiles
        objective = TimedObjective(evaluator, seconds)
        OPTIMISERS[name](objective, seed)
    (sound,) = place_notes(problem, objective.best, [scored], [target.note], seed=seed)
    return sound, objective.best_loss, objective.n_evaluations


def _judged(target: TargetNote, sound: FloatArray) -> dict[str, Any]:
    """Take the measures, and list what is still audible: quantity, just-noticeable steps."""
    judged = judge(target.signal, sound, target.sample_rate_hz)
    audible: Sequence[tuple[str, float]] = [
        (difference.quantity, float(difference.steps))
        for difference in compare_notes(target, sound)
        if difference.is_audible
    ]
    return {
        **{measure: float(getattr(judged, measure)) for measure in MEASURES},
        "audible": [list(pair) for pair in audible],
    }
