"""The main job: from a target to the patch that comes closest to it."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from matcher.defaults import DEFAULT_SECONDS, DEFAULT_STRUCTURE
from matcher.evaluator import Evaluator
from matcher.hearing import compare_notes
from matcher.losses import LossBreakdown, breakdown, weights_for
from matcher.optimise import DEFAULT_SAMPLER, check_sampler
from matcher.partial_fit import Movements
from matcher.parts import settings_off_rest, what_is_added
from matcher.phase_reference import PhaseReference
from matcher.playing import place_notes, prepare_note, with_velocity_level
from matcher.problem import Problem
from matcher.result import MatchResult, NoteMatch, Rung, StageResult
from matcher.search.checkpoint import Milestone
from matcher.search.equaliser import EQUALISER_SHARE, Equalised, with_equaliser
from matcher.search.proposals import start_vectors
from matcher.search.pruning import tidy
from matcher.search.run import SearchRun
from matcher.search.stages import WHOLE, Stage, default_plan
from matcher.voice_map import names_where, voice_row
from shared import CATALOGUE, ParameterError, ParameterSpace
from shared.patch import Patch
from voice import Structure, load_structure

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from matcher.search.checkpoint import Checkpoint
    from matcher.target import Target, TargetNote
    from shared import FloatArray

__all__ = ["check_budget", "check_n_settings", "make_problem", "match", "named_differences"]

# An LFO has to go so often through its cycle while a key is held, or it is a bend. Not 1.5 times:
# known notes of strings whose pulse widths go round 1.1 to 1.4 times lost what they move by.
FEWEST_CYCLES = 1.0


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
    n_settings: int | None = None,
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
    n_settings : int >= 1, optional
        How many settings the patch may have; the shortest patch that sounds like the closest
        if left out.

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
    check_n_settings(n_settings)
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
        **({} if n_settings is None else {"n_settings": n_settings}),
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
            named=partial(named_differences, evaluator, target),
            n_settings=n_settings,
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
    walked = run.ladder
    vectors = [run.found, *(tidy(problem, rung.vector) for rung in walked)]
    vectors += [milestone.vector for milestone in run.milestones]
    best, *kept = (
        with_velocity_level(
            problem, vector, evaluator.targets, evaluator.notes, seed=evaluator.seed
        )
        for vector in vectors
    )
    scores = evaluator.scores(np.stack([run.first, best, *kept]))
    losses = [breakdown(score, weights) for score in scores.mean(axis=0)]
    patches = [
        _make_patch(problem, vector, target, settings, loss)
        for vector, loss in zip(kept, losses[2:], strict=True)
    ]
    n_rungs = len(walked)
    ladder = _rungs(run, patches[:n_rungs], losses[2 : 2 + n_rungs])
    stages = list(zip(run.milestones, patches[n_rungs:], losses[2 + n_rungs :], strict=True))
    found = Equalised(problem, best, scores[:, 1])
    if is_equalised and (heard := _equalised(run, target, best)):
        without = _make_patch(problem, best, target, settings, losses[1])
        stages.append((Milestone("stage", "without an equaliser", best), without, losses[1]))
        found = heard
    end = breakdown(found.scores.mean(axis=0), weights)
    patch = _make_patch(found.problem, found.vector, target, settings, end)
    if found.problem is not problem:
        ladder = _with_equaliser_on_top(ladder, found.problem, patch, end)
    return MatchResult(
        patch=patch,
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
            StageResult(milestone.kind, milestone.title, patch_then, loss)
            for milestone, patch_then, loss in stages
        ),
        ladder=ladder,
        is_ladder_whole=run.is_ladder_whole,
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


def _rungs(
    run: SearchRun, patches: Sequence[Patch], losses: Sequence[LossBreakdown]
) -> tuple[Rung, ...]:
    """Say of each rung what it adds to the next shorter one."""
    space = run.evaluator.problem.structure.space
    found = run.best
    nothing = {parameter.name: parameter.neutral for parameter in CATALOGUE}
    below = [*(patch.values for patch in patches), nothing][1:]
    return tuple(
        Rung(
            patch,
            loss,
            len(settings_off_rest(patch.values, space)),
            what_is_added(shorter, patch.values, space),
            dict(walked.missed),
            is_suggested=walked.vector is found,
        )
        for walked, patch, loss, shorter in zip(run.ladder, patches, losses, below, strict=True)
    )


def _with_equaliser_on_top(
    ladder: tuple[Rung, ...], problem: Problem, patch: Patch, loss: LossBreakdown
) -> tuple[Rung, ...]:
    """Add the last rung: the suggested one with an equaliser in the mixer, as that is heard."""
    below = next((rung for rung in ladder if rung.is_suggested), None)
    if below is None:
        return ladder
    space = problem.structure.settable
    n_settings = len(settings_off_rest(patch.values, space))
    adds = what_is_added(below.patch.values, patch.values, space)
    missed = {**below.missed, "; ".join(adds): below.loss.total - loss.total}
    others = tuple(replace(rung, is_suggested=False) for rung in ladder)
    return (Rung(patch, loss, n_settings, adds, missed, is_suggested=True), *others)


def named_differences(
    evaluator: Evaluator, target: Target, vector: FloatArray
) -> dict[tuple[int, str], float]:
    """Say by how many steps a candidate differs in each quantity that has a name, note by note."""
    sounds = place_notes(
        evaluator.problem, vector, evaluator.targets, evaluator.notes, seed=evaluator.seed
    )
    return {
        (i, difference.quantity): difference.steps
        for i, (note, played, sound) in enumerate(
            zip(target.notes, evaluator.notes, sounds, strict=True)
        )
        for difference in compare_notes(replace(note, note=played), sound)
    }


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
    a single velocity, LFOs that don't go through their cycle `FEWEST_CYCLES` times. Of the
    equaliser after the instrument it has the bands that are on in `values`, or none.
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
    slowest_hz = FEWEST_CYCLES / max(note.note.gate_s for note in target.notes)
    return Problem(
        structure,
        _with_whole_cycles(ParameterSpace(tuple(kept)), slowest_hz),
        structure.complete({}),
        len(target.notes),
        tuple(_reference(note) for note in target.notes),
    )


def _with_whole_cycles(space: ParameterSpace, slowest_hz: float) -> ParameterSpace:
    """Raise the rates of LFOs; an LFO that none of its rates is left of goes.

    Steps that aren't listed one by one stay as they are.
    """
    kept, gone = [], []
    for parameter in space:
        is_rate = parameter.name.endswith(".rate_hz") and parameter.step is None
        if not is_rate or parameter.low >= slowest_hz:
            kept.append(parameter)
        elif parameter.high <= slowest_hz:
            gone.append(parameter.name.removesuffix("rate_hz"))
        else:
            choices = tuple(choice for choice in parameter.choices if choice >= slowest_hz)
            low, full_range = min(choices, default=slowest_hz), parameter.curve_range
            kept.append(replace(parameter, low=low, choices=choices, full_range=full_range))
    return ParameterSpace(tuple(p for p in kept if not p.name.startswith(tuple(gone))))


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


def check_n_settings(n_settings: int | None) -> None:
    """Accept a number of settings, or none."""
    if n_settings is not None and not 1 <= n_settings <= len(CATALOGUE):
        raise ParameterError(
            f"n_settings is {n_settings}; it must be 1 to {len(CATALOGUE)}. Leave it out for the "
            "shortest patch that sounds like the closest.",
            name="n_settings",
        )


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
