"""The main job: from a target to the patch that comes closest to it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from matcher.defaults import DEFAULT_SECONDS, DEFAULT_STRUCTURE
from matcher.evaluator import Evaluator
from matcher.losses import LossBreakdown, breakdown, weights_for
from matcher.optimise import DEFAULT_SAMPLER, check_sampler
from matcher.partial_fit import Movements
from matcher.phase_reference import PhaseReference
from matcher.playing import place_notes, prepare_note, with_velocity_level
from matcher.problem import Problem
from matcher.result import MatchResult, NoteMatch, StageResult
from matcher.search.checkpoint import Milestone
from matcher.search.equaliser import EQUALISER_SHARE, Equalised, with_equaliser
from matcher.search.proposals import start_vectors
from matcher.search.run import SearchRun
from matcher.search.stages import WHOLE, Stage, default_plan
from matcher.voice_map import names_where, voice_row
from shared import ParameterError, ParameterSpace
from shared.patch import Patch
from voice import Structure, load_structure

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from matcher.search.checkpoint import Checkpoint
    from matcher.target import Target, TargetNote
    from shared import FloatArray

__all__ = ["check_budget", "make_problem", "match"]


def match(
    target: Target,
    *,
    structure: str | Path | Structure = DEFAULT_STRUCTURE,
    seconds: float | None = None,
    evals: int | None = None,
    seed: int = 0,
    sampler: str = DEFAULT_SAMPLER,
    weights: str | Mapping[str, float] | None = None,
    plan: tuple[Stage, ...] | None = None,
    n_threads: int | None = None,
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
    watch: Callable[[SearchRun], object] | None = None,
    checkpoint: Checkpoint | None = None,
) -> MatchResult:
    """Find the patch that comes closest to a target.

    Parameters
    ----------
    target : Target
        The notes, from `load_target`.
    structure : str, Path or Structure
        The voice: a name of `voice.list_structures`, a structure file, or a loaded one.
    seconds : float > 0, optional
        Time to search, in seconds; 30 if neither budget is given.
    evals : int >= 1, optional
        Candidates to evaluate instead. With the same seed the result is then the same to the
        bit, whatever the number of threads.
    seed : int >= 0
        Seed of the search and of the voice's noise.
    sampler : str
        A name of `matcher.optimise.SAMPLER_NAMES`. The default goes through the stages of `plan`,
        local searches first; the others are there to be compared, and get the problem as a whole.
    weights : str, or mapping of str to float, optional
        A preset ("balanced", "attack first", "movement first"), or weights of the loss terms,
        >= 0; those left out keep their default.
    plan : tuple of Stage, optional
        Stages of the search, for the default sampler; `matcher.search.stages.default_plan`
        chooses them if left out.
    n_threads : int >= 1, optional
        Threads that render and score; all usable cores if left out.
    progress : bool
        Whether to show a progress bar (also in notebooks).
    stop : callable, optional
        Asked after each batch; the search ends when it returns True.
    watch : callable, optional
        Called after each batch with the running search, whose `state` has the best so far.
    checkpoint : Checkpoint, optional
        Where the search is saved every few seconds. If it holds a search already, that one is
        gone on with: target, structure, seed, sampler and weights have to be the same, and the
        budget may have grown. `matcher.match_and_save` takes care of all that.

    Returns
    -------
    MatchResult
        The best patch and how it was found. Ctrl-C ends the search early and still returns the
        best so far.

    Raises
    ------
    ParameterError
        If an argument lies outside its range.
    StructureError
        If the structure can't be loaded.
    """
    check_budget(seconds, evals)
    check_sampler(sampler, seed)
    joined = weights_for(weights)
    voice = structure if isinstance(structure, Structure) else load_structure(structure)
    problem = make_problem(target, voice)
    notes = [note.note for note in target.notes]
    targets = [prepare_note(note) for note in target.notes]
    budget = DEFAULT_SECONDS if seconds is None and evals is None else seconds
    settings = {
        "structure": voice.name,
        "seconds": budget,
        "evals": evals,
        "seed": seed,
        "sampler": sampler,
        "weights": dict(joined),
    }
    with Evaluator(
        problem, targets, notes, weights=joined, n_threads=n_threads, seed=seed
    ) as evaluator:
        # The samplers of others are there to be compared: they get the problem as a whole.
        own = sampler == DEFAULT_SAMPLER
        starts = start_vectors(problem, target)
        run = SearchRun(
            evaluator,
            starts,
            ["gate" in note.estimated for note in target.notes],
            seconds=budget,
            evals=evals,
            progress=progress,
            stop=stop,
            watch=watch,
            movements=Movements(problem, target.notes, starts[0], seed=seed) if own else None,
            checkpoint=checkpoint,
        )
        chosen = (plan or default_plan(problem)) if own else WHOLE
        reason = run.search(sampler, seed, chosen, is_plain=own)
        is_whole = own and reason not in {"stopped", "interrupted"}
        return _result(run, target, settings, reason, is_equalised=is_whole)


def _result(
    run: SearchRun,
    target: Target,
    settings: Mapping[str, object],
    reason: str,
    *,
    is_equalised: bool,
) -> MatchResult:
    """Measure what a search has found, and put it together; its evaluator is still open."""
    evaluator = run.evaluator
    problem, weights = evaluator.problem, evaluator.weights
    best, *kept = (
        with_velocity_level(
            problem, vector, evaluator.targets, evaluator.notes, seed=evaluator.seed
        )
        for vector in (run.found, *(milestone.vector for milestone in run.milestones))
    )
    scores = evaluator.scores(np.stack([run.first, best, *kept]))
    losses = [breakdown(score, weights) for score in scores.mean(axis=0)]
    found = Equalised(problem, best, scores[:, 1])
    stages = list(zip(run.milestones, kept, losses[2:], strict=True))
    if is_equalised and (heard := _equalised(run, target, best)):
        stages.append((Milestone("stage", "without an equaliser", best), best, losses[1]))
        found = heard
    end = breakdown(found.scores.mean(axis=0), weights)
    return MatchResult(
        patch=_make_patch(found.problem, found.vector, target, settings, end),
        target=target,
        structure=problem.structure,
        space=problem.space,
        start=losses[0],
        end=end,
        notes=_note_matches(evaluator, target, found, scores[:, 0]),
        record=run.record,
        settings=settings,
        n_evaluations=run.n_evaluations,
        elapsed_s=run.elapsed_s,
        busy_s=run.busy_s,
        stop_reason=reason,
        stages=tuple(
            StageResult(
                milestone.kind,
                milestone.title,
                _make_patch(problem, vector, target, settings, loss),
                loss,
            )
            for milestone, vector, loss in stages
        ),
    )


def _equalised(run: SearchRun, target: Target, best: FloatArray) -> Equalised | None:
    """Fit an equaliser after the instrument, and the levels of several velocities behind it."""
    evaluator = run.evaluator
    found = with_equaliser(
        evaluator, target.notes, best, n_evaluations=round(EQUALISER_SHARE * run.n_evaluations)
    )
    if found is None:
        return None
    vector = with_velocity_level(
        found.problem, found.vector, evaluator.targets, evaluator.notes, seed=evaluator.seed
    )
    return replace(found, vector=vector)


def _note_matches(
    evaluator: Evaluator, target: Target, found: Equalised, starts: FloatArray
) -> tuple[NoteMatch, ...]:
    """Play what was found, and say note by note how close it is, and how close the start."""
    sounds = place_notes(
        found.problem, found.vector, evaluator.targets, evaluator.notes, seed=evaluator.seed
    )
    return tuple(
        NoteMatch(
            replace(note, note=as_played),
            sound,
            breakdown(start, evaluator.weights),
            breakdown(end, evaluator.weights),
        )
        for note, as_played, sound, start, end in zip(
            target.notes, evaluator.notes, sounds, starts, found.scores, strict=True
        )
    )  # fmt: skip


def make_problem(
    target: Target, structure: Structure, values: Mapping[str, float] | None = None
) -> Problem:
    """Say what is searched for a target.

    Its space leaves out what these notes can't tell: key tracking of a single pitch, response to
    a single velocity. Of the equaliser after the instrument it has the bands that are on in
    `values`, or none.
    """
    pitches = {note.note.midi_pitch for note in target.notes}
    velocities = {note.note.velocity for note in target.notes}
    different = (("pitch", len(pitches)), ("velocity", len(velocities)))
    untold = [kind for kind, n_values in different if n_values == 1]
    bands_off = {
        voice_row(name).part
        for name in names_where("is_in_mixer")
        if name in structure.mixer and name.endswith("gain_db")
        if not (values and values[name])
    }
    kept = [
        parameter
        for parameter in structure.settable
        for row in (voice_row(parameter.name),)
        if row.needs not in untold and row.part not in bands_off
    ]
    return Problem(
        structure,
        ParameterSpace(tuple(kept)),
        structure.complete({}),
        len(target.notes),
        tuple(_reference(note) for note in target.notes),
    )


def _reference(note: TargetNote) -> PhaseReference:
    """Let phases count in the middle of what is held."""
    sound_s = len(note.signal) / note.sample_rate_hz
    return PhaseReference(0.5 * min(note.note.gate_s, sound_s), note.note.midi_pitch)


def check_budget(seconds: float | None, evals: int | None) -> None:
    """Accept one budget or none: seconds above 0 and up to a day, or 1 to 100000000 evals."""
    if seconds is not None and evals is not None:
        raise ParameterError(
            f"seconds is {seconds:g} and evals is {evals}; it must be one of the two. "
            "Leave one out.",
            name="seconds",
        )
    if seconds is not None and not 0.0 < seconds <= 86_400.0:
        raise ParameterError(
            f"seconds is {seconds:g}; it must be above 0 and up to 86400 (a day).", name="seconds"
        )
    if evals is not None and not 1 <= evals <= 100_000_000:
        raise ParameterError(f"evals is {evals}; it must be 1 to 100000000.", name="evals")


def _make_patch(
    problem: Problem,
    best: FloatArray,
    target: Target,
    settings: Mapping[str, object],
    loss: LossBreakdown,
) -> Patch:
    """Make the patch of the best candidate."""
    from matcher.result import software_versions  # noqa: PLC0415

    return Patch(
        problem.structure.name,
        problem.named_values(best),
        {
            "target_digest": target.digest,
            "settings": dict(settings),
            "versions": software_versions(),
            "loss": loss.to_dict(),
            "parent": None,
        },
        problem.note_phases(best),
    )
