"""The main job: from a target to the patch that comes closest to it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from matcher.defaults import DEFAULT_SECONDS, DEFAULT_STRUCTURE
from matcher.losses import LossBreakdown, breakdown, weights_for
from matcher.plan import DEFAULT_PLAN, WHOLE, Stage
from matcher.playing import play_notes, prepare_note, with_velocity_level
from matcher.problem import Evaluator, Problem
from matcher.result import MatchResult, NoteMatch
from matcher.search import DEFAULT_SAMPLER
from matcher.search_run import SearchRun
from matcher.starts import start_vectors
from shared import CATALOGUE, ParameterError, ParameterSpace
from shared.patch import Patch
from voice import Structure, load_structure

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from matcher.target import Target
    from shared import FloatArray

__all__ = ["make_problem", "match"]


def match(
    target: Target,
    *,
    structure: str | Path | Structure = DEFAULT_STRUCTURE,
    seconds: float | None = None,
    evals: int | None = None,
    seed: int = 0,
    sampler: str = DEFAULT_SAMPLER,
    weights: str | Mapping[str, float] | None = None,
    plan: tuple[Stage, ...] = DEFAULT_PLAN,
    n_threads: int | None = None,
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
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
        A name of `matcher.search.SAMPLER_NAMES`.
    weights : str, or mapping of str to float, optional
        A preset ("balanced", "attack first", "animation first"), or weights of the loss terms,
        >= 0; those left out keep their default.
    plan : tuple of Stage
        Stages of the search, for the default sampler.
    n_threads : int >= 1, optional
        Threads that render and score; all usable cores if left out.
    progress : bool
        Whether to show a progress bar (also in notebooks).
    stop : callable, optional
        Asked after each batch; the search ends when it returns True.

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
    _check_budget(seconds, evals)
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
        run = SearchRun(
            evaluator,
            start_vectors(problem, target),
            ["gate" in note.estimated for note in target.notes],
            seconds=budget,
            evals=evals,
            progress=progress,
            stop=stop,
        )
        # The samplers of others are there to be compared: they get the problem as a whole.
        own = sampler == DEFAULT_SAMPLER
        reason = run.search(sampler, seed, plan if own else WHOLE, is_plain=own)
        played = evaluator.notes
        best = with_velocity_level(problem, run.best, targets, played, seed=seed)
        scores = evaluator.scores(np.stack([run.first, best]))
    start = breakdown(scores[:, 0].mean(axis=0), joined)
    end = breakdown(scores[:, 1].mean(axis=0), joined)
    patch = _make_patch(problem, best, target, settings, end)
    sounds = [
        note_target.place(sound)
        for note_target, sound in zip(
            targets, play_notes(problem, best, targets, played, seed=seed), strict=True
        )
    ]
    return MatchResult(
        patch=patch,
        target=target,
        structure=voice,
        space=problem.space,
        start=start,
        end=end,
        notes=tuple(
            NoteMatch(
                replace(note, note=as_played),
                sound,
                breakdown(score[0], joined),
                breakdown(score[1], joined),
            )
            for note, as_played, sound, score in zip(
                target.notes, played, sounds, scores, strict=True
            )
        ),
        record=run.record,
        settings=settings,
        n_evaluations=len(run.record),
        elapsed_s=run.elapsed_s,
        busy_s=run.busy_s,
        stop_reason=reason,
    )


def make_problem(target: Target, structure: Structure) -> Problem:
    """Say what is searched for a target.

    Parameters
    ----------
    target : Target
        The notes.
    structure : Structure
        The voice.

    Returns
    -------
    Problem
        Its space leaves out what these notes can't tell: key tracking of a single pitch,
        response to a single velocity.
    """
    blind = []
    if len({note.note.midi_pitch for note in target.notes}) == 1:
        blind.append("*key_track_ratio")
    if len({note.note.velocity for note in target.notes}) == 1:
        blind += ["*.velocity_octaves", "*.velocity_db"]
    kept = [p for p in structure.space if not any(_ends(p.name, glob) for glob in blind)]
    return Problem(
        structure, ParameterSpace(tuple(kept)), structure.complete({}), len(target.notes)
    )


def _ends(name: str, glob: str) -> bool:
    """Whether a name ends as a pattern of the form ``*ending`` says."""
    return name.endswith(glob[1:])


def _check_budget(seconds: float | None, evals: int | None) -> None:
    """Accept one budget, or none."""
    if seconds is not None and evals is not None:
        raise ParameterError(
            f"seconds is {seconds:g} and evals is {evals}; one budget is accepted. Leave one out.",
            name="seconds",
            value=seconds,
        )
    if seconds is not None and not 0.0 < seconds <= 86_400.0:
        raise ParameterError(
            f"seconds is {seconds:g}; above 0 and up to 86400 (a day) is accepted.",
            name="seconds",
            value=seconds,
        )
    if evals is not None and not 1 <= evals <= 100_000_000:
        raise ParameterError(
            f"evals is {evals}; 1 to 100000000 is accepted.", name="evals", value=evals
        )


def _make_patch(
    problem: Problem,
    best: FloatArray,
    target: Target,
    settings: Mapping[str, object],
    loss: LossBreakdown,
) -> Patch:
    """Make the patch of the best candidate."""
    from matcher.versions import versions  # noqa: PLC0415  reads package metadata

    values = problem.values(best[None, :])[0]
    return Patch(
        problem.structure.name,
        dict(zip(CATALOGUE.names, values.tolist(), strict=True)),
        {
            "target_digest": target.digest,
            "settings": dict(settings),
            "versions": versions(),
            "loss": loss.to_dict(),
            "parent": None,
        },
        problem.note_phases(best),
    )
