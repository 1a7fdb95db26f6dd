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
from tests.benchmarks.run_record import evaluation_digest
from tests.judge import judge
from voice import load_structure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.target import TargetNote
    from shared import FloatArray
    from tests.benchmarks.quality.notes import BenchInstrument, BenchNote

    # Seconds and loss of each improvement.
    Course = list[tuple[float, float]]

__all__ = ["MEASURES", "OWN", "run_instrument", "run_note"]

OWN = "earwright"
MEASURES = ("log_mel_db", "onset_log_mel_db", "envelope_db", "centroid_ratio", "pitch_cents")


def run_note(
    name: str, note: BenchNote, structure: str, seconds: float, seed: int
) -> dict[str, Any]:
    """Match one note with one optimiser, and judge it."""
    began = time.monotonic()
    find = _run_own if name == OWN else _run_other
    sound, loss, n_evaluations, course = find(name, note, structure, seconds, seed)
    return {
        "loss": loss,
        "course": [(round(spent_s, 2), round(lower, 4)) for spent_s, lower in course],
        "evaluation": evaluation_digest(),
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
) -> tuple[Any, float, int, Course]:
    """Match with earwright; sound, loss, evaluations, and when it came closer."""
    result = match(
        note.target_set(), structure=structure, seconds=seconds, seed=seed, progress=False
    )
    losses, elapsed_s = np.array(result.record.losses), result.record.elapsed_s
    lower = np.flatnonzero(losses < np.minimum.accumulate(np.append(np.inf, losses))[:-1])
    course = [(float(elapsed_s[i]), float(losses[i])) for i in lower]
    # Without the parts that nobody misses: that is what is handed over.
    course = [(t, max(loss, result.end.total)) for t, loss in course]
    return result.notes[0].sound, result.end.total, result.n_evaluations, course


def _run_other(
    name: str, note: BenchNote, structure: str, seconds: float, seed: int
) -> tuple[Any, float, int, Course]:
    """Match with another optimiser on the same evaluation function; the same figures."""
    target_set = note.target_set()
    target = target_set.notes[0]
    problem = make_problem(target_set, load_structure(structure))
    scored = prepare_note(target)
    with Evaluator(problem, [scored], [target.note], seed=seed) as evaluator:
        evaluator.losses(np.full((1, problem.n_dimensions), 0.5))  # compiles
        objective = TimedObjective(evaluator, seconds)
        OPTIMISERS[name](objective, seed)
    (sound,) = place_notes(problem, objective.best, [scored], [target.note], seed=seed)
    return sound, objective.best_loss, objective.n_evaluations, objective.course


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
