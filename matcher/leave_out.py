"""Does a patch hold between the notes that it was fitted to? Fit without some, score on them.

A patch that is fitted to three notes may play each of them for reasons of its own and fail on the
key between two of them. Here some notes are kept from the search, and the patch is tried on them
afterwards. Oscillator and LFO phases belong to a performance and not to the patch: for a note
that was left out, the best of 64 random sets is taken and refined, and where its gate was
estimated, the gate is corrected too, as the search does with its own notes. Nothing else moves.
"""

from __future__ import annotations

import contextlib
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.defaults import DEFAULT_SECONDS
from matcher.evaluator import Evaluator
from matcher.losses import breakdown, weights_for
from matcher.matching import match
from matcher.playing import place_notes, play_notes, prepare_note
from matcher.problem import Problem
from matcher.result import LeftOutNote, MatchResult
from matcher.search.gates import fit_gates
from matcher.target import Target
from matcher.target.note import EACH, Names, choose_notes
from shared import PULSE_KIND, ParameterError, ParameterSpace

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from matcher.search.checkpoint import Checkpoint
    from matcher.target import TargetNote
    from shared import FloatArray

__all__ = ["N_PHASE_SETS", "match_leaving_out"]

N_PHASE_SETS = 64
# Spread of the sets that are tried around the best one, in cycles, round by round.
REFINEMENTS = (0.1, 0.05, 0.02)
N_REFINED = 32
# With "each", the patch that is kept is fitted to all notes; the trials share the rest.
KEPT_SHARE = 0.5
CUT_SHORT = frozenset({"interrupted", "stopped"})


def match_leaving_out(
    target: Target,
    *,
    leave_out: Names,
    seconds: float | None = None,
    evals: int | None = None,
    checkpoint_for: Callable[[str], Checkpoint] | None = None,
    **options: Any,  # noqa: ANN401  handed on as they are
) -> MatchResult:
    """Match a target without some of its notes, and try the patch on them.

    Parameters
    ----------
    target : Target
        The notes, at least two.
    leave_out : str, float, or a sequence of them
        Which notes: name of a note or of its file, or a pitch, for all notes of that key; or
        ``"each"`` alone. Then the patch is fitted to all notes with half of the budget, and the
        other half is shared by fits that leave out one note each, in turn.
    seconds : float > 0, optional
        Time to search in all, in seconds; 30 if neither budget is given.
    evals : int >= 1, optional
        Candidates to evaluate in all, instead.
    checkpoint_for : callable, optional
        Gives the checkpoint of a part of the search by its name: "all" for the match that is
        kept, "without-N" for the trial without note N.
    **options
        As for `matcher.match`.

    Returns
    -------
    MatchResult
        As `matcher.match` gives it, with the trials in `left_out`. Where Ctrl-C or `stop` ended
        a search early, those that hadn't begun are missing.

    Raises
    ------
    ParameterError
        If no note is meant, none would be left to fit, or an argument lies outside its range.
    StructureError
        If the structure can't be loaded.

    Examples
    --------
    >>> target = load_target("C3.flac", "C4.flac", "C5.flac")  # doctest: +SKIP
    >>> result = match_leaving_out(target, leave_out="C4.flac")  # doctest: +SKIP
    >>> result.left_out[0].loss.total, result.end.total  # doctest: +SKIP
    (1.31, 1.12)
    """
    places = choose_notes(target, leave_out)
    if leave_out != EACH:
        with _open(checkpoint_for, "all") as saved:
            result = match(
                _without(target, places),
                seconds=seconds,
                evals=evals,
                checkpoint=saved,
                **options,
            )
        trials = _try_all(result, [target.notes[place] for place in places], options)
    else:
        kept, each = _share(seconds, evals, len(places))
        with _open(checkpoint_for, "all") as saved:
            result = match(target, **kept, checkpoint=saved, **options)
        trials = _try_each(target, result, each, options, checkpoint_for)
    left_out = _collect(trials)
    said = {
        "notes": [target.notes[place].name for place in places],
        "each": leave_out == EACH,
        "seconds": DEFAULT_SECONDS if seconds is None and evals is None else seconds,
        "evals": evals,
        "phase_sets": N_PHASE_SETS + N_REFINED * len(REFINEMENTS),
    }
    return replace(result, left_out=left_out, settings={**result.settings, "leave_out": said})


def _without(target: Target, places: Sequence[int]) -> Target:
    """Take some notes out of a target."""
    return Target(tuple(note for i, note in enumerate(target.notes) if i not in places))


def _share(
    seconds: float | None, evals: int | None, n_trials: int
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Share the budget out: for the patch that is kept, and for each trial."""
    if evals is None:
        in_all = DEFAULT_SECONDS if seconds is None else seconds
        kept_s = KEPT_SHARE * in_all
        return {"seconds": kept_s}, {"seconds": (in_all - kept_s) / n_trials}
    kept = round(KEPT_SHARE * evals)
    if seconds is None and evals < 2 * n_trials:
        raise ParameterError(
            f"evals is {evals}; it must be {2 * n_trials} or more, to leave out each of "
            f"{n_trials} notes.",
            name="evals",
        )
    # Both budgets at once are refused by `match`, in its own words.
    return {"seconds": seconds, "evals": kept}, {"evals": (evals - kept) // n_trials}


def _try_all(
    result: MatchResult, notes: Sequence[TargetNote], options: Mapping[str, Any]
) -> Iterator[LeftOutNote]:
    """Try one patch on all notes that it wasn't fitted to."""
    for note in notes:
        yield _try_on(result, note, options)


def _try_each(
    target: Target,
    result: MatchResult,
    budget: Mapping[str, Any],
    options: Mapping[str, Any],
    checkpoint_for: Callable[[str], Checkpoint] | None,
) -> Iterator[LeftOutNote]:
    """Fit without each note in turn, until a search is cut short."""
    fit = result
    for place, note in enumerate(target.notes):
        if fit.stop_reason not in CUT_SHORT:
            with _open(checkpoint_for, f"without-{place + 1}") as saved:
                fit = match(_without(target, [place]), **budget, checkpoint=saved, **options)
        if fit.stop_reason not in CUT_SHORT:
            yield _try_on(fit, note, options)


def _open(
    checkpoint_for: Callable[[str], Checkpoint] | None, part: str
) -> contextlib.AbstractContextManager[Checkpoint | None]:
    """Open the checkpoint of a part, if there are any."""
    return contextlib.nullcontext() if checkpoint_for is None else checkpoint_for(part)


def _collect(trials: Iterator[LeftOutNote]) -> tuple[LeftOutNote, ...]:
    """Go through the trials; Ctrl-C ends them, and keeps those that are done."""
    done: list[LeftOutNote] = []
    with contextlib.suppress(KeyboardInterrupt):
        done.extend(trials)
    return tuple(done)


def _try_on(fit: MatchResult, note: TargetNote, options: Mapping[str, Any]) -> LeftOutNote:
    """Play the patch of a match on another note."""
    weights, seed = weights_for(options.get("weights")), options.get("seed", 0)
    target = prepare_note(note)
    nothing = ParameterSpace(())
    # Nothing of the patch moves: what is left of a vector is the phases that can be heard.
    problem = Problem(
        fit.structure,
        nothing,
        fit.patch.values,
        1,
        pulse_kind={name: fit.patch.phases[0][name] for name in PULSE_KIND},
    )
    rng = np.random.default_rng(seed)
    with Evaluator(
        problem,
        [target],
        [note.note],
        weights=weights,
        n_threads=options.get("n_threads"),
        seed=seed,
    ) as evaluator:
        drawn = rng.random((N_PHASE_SETS, problem.n_dimensions))
        drawn[:, problem.phase_entries("note.place")] = 0.0
        vector = _best(evaluator, drawn)
        vector = _refined(evaluator, vector, rng)
        if "gate" in note.estimated:
            fit_gates(evaluator, vector, [True])
            vector = _refined(evaluator, vector, rng)
        score = evaluator.scores(vector[None, :])[0, 0]
        played = evaluator.notes
    (sound,) = play_notes(problem, vector, [target], played, seed=seed)
    (placed,) = place_notes(problem, vector, [target], played, seed=seed)
    return LeftOutNote(
        note=replace(note, note=played[0]),
        sound=placed,
        loss=breakdown(score, weights),
        fitted=fit.end,
        phases=problem.note_phases(vector)[0],
        level_gap_db=target.gain_db(sound) - float(np.median(_gains_db(fit, seed))),
        patch=fit.patch,
    )


def _best(evaluator: Evaluator, vectors: FloatArray) -> FloatArray:
    """Return the best of some vectors."""
    best: FloatArray = vectors[int(np.argmin(evaluator.losses(vectors)))]
    return best


def _refined(evaluator: Evaluator, vector: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Try phases around the best ones, closer from round to round."""
    for spread in REFINEMENTS:
        around = vector + spread * rng.standard_normal((N_REFINED, vector.size))
        vector = _best(evaluator, np.vstack([vector, around % 1.0]))
    return vector


def _gains_db(fit: MatchResult, seed: int) -> list[float]:
    """Return the gains that bring the patch to the levels of the notes it was fitted to."""
    targets = [prepare_note(match.note) for match in fit.notes]
    notes = [match.note.note for match in fit.notes]
    problem = Problem(fit.structure, ParameterSpace(()), fit.patch.values, len(notes))
    vector = problem.vector({}, fit.patch.phases)
    sounds = play_notes(problem, vector, targets, notes, seed=seed)
    return [target.gain_db(sound) for target, sound in zip(targets, sounds, strict=True)]
