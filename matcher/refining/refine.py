"""Search some parameters of a patch again, from where they are."""

from __future__ import annotations

import warnings
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matcher.optimise import DEFAULT_SAMPLER, SearchRecord
from matcher.playing import with_velocity_level
from matcher.problem import Problem
from matcher.refining.selection import Selection, Within
from matcher.result import MatchResult, StageResult
from matcher.runs.package_versions import versions
from matcher.scoring import score_patch
from matcher.search.run import SearchRun
from matcher.search.stages import Stage
from shared import CATALOGUE, EarwrightWarning, ParameterSpace, Patch

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from matcher.losses import LossBreakdown
    from matcher.refining.refinement import Refinement
    from matcher.result import NoteMatch
    from matcher.runs.run_folder import RunFolder
    from matcher.search.checkpoint import Checkpoint
    from matcher.target import Target
    from voice import Structure

__all__ = ["refine", "search_refinement"]

# Spread of the first draws, as a share of each range: near the patch if nothing is said, and over
# all of what `within` allows.
SIGMA_NEAR = 0.1
SIGMA_WITHIN = 0.3
# So few parameters come to a close sooner by small generations than by walks, which end in side
# valleys; with 12 it is the other way round (tests.benchmarks.bench_keeping). Generations of 8 end
# in side valleys, too.
FEW = 8
POPULATION = 16
# Moving anything else leaves the phases of a performance as they are.
_MOVES_PHASES = ("osc", "tune")


def refine(
    run_or_patch: str | Path | RunFolder | Patch,
    target: Target | None = None,
    *,
    only: Sequence[str] = (),
    hold: Sequence[str] = (),
    within: Within | None = None,
    set_values: Mapping[str, float] | None = None,
    structure: str | Path | Structure | None = None,
    weights: str | Mapping[str, float] | None = None,
    seconds: float | None = None,
    evals: int | None = None,
    seed: int = 0,
    note: str = "",
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
    watch: Callable[[SearchRun], object] | None = None,
) -> MatchResult:
    """Search some parameters of a patch again, and keep the rest to the bit.

    The result is never worse than the start, by the loss of the run. A run without another
    target gets the result as a new version, which becomes its current state; otherwise nothing is
    written (see `matcher.refine_and_save`).

    Parameters
    ----------
    run_or_patch : str, Path, RunFolder or Patch
        A run folder (``runs/horn``, or a version of it as ``runs/horn@3``), a patch file, or a
        patch.
    target : Target, optional
        What to match; that of the run if left out.
    only, hold : sequence of str
        Patterns (``"filter*"``, ``"*.attack_s"``) or groups ("pitch", "waveform", "attack",
        "brightness", "animation", "level") of what may move, and of what may not.
    within : float, str or mapping, optional
        How far parameters may move: a share of each range (0.2 or "20%"), an amount in a unit
        ("200 Hz"), or a mapping of patterns to shares and amounts in their own unit.
    set_values : mapping of str to float, optional
        Values to set beforehand; they stay there.
    structure : str, Path or Structure, optional
        The voice; that of the run or, by its name, of the patch if left out.
    weights : str or mapping, optional
        As for `matcher.match`; those of the run if left out.
    seconds : float >= 0, optional
        Time to search, in seconds; 10 if neither budget is given. 0, with `set_values`, only
        sets.
    evals : int >= 0, optional
        Candidates to evaluate instead.
    seed : int >= 0
        Seed of the search.
    note : str
        What to keep with the version, such as "softer front".
    progress, stop, watch
        As for `matcher.match`.

    Returns
    -------
    MatchResult
        The patch; its `start` is the loss of the patch that was given.

    Raises
    ------
    ParameterError
        If a pattern or group names nothing (near names are listed), nothing is left to move, or
        a value or an argument lies outside its range.
    RunFolderError
        If the run can't be used, or another command is at work on it.
    PatchError, StructureError
        If patch or structure can't be loaded.

    Examples
    --------
    >>> refine("runs/horn", only=["filter*"], hold=["*.release_s"])  # doctest: +SKIP
    """
    # Here, as saving needs this module.
    from matcher.refining.beginning import begin_from_patch  # noqa: PLC0415
    from matcher.refining.saving import refine_saved_run  # noqa: PLC0415

    selection = Selection(tuple(only), tuple(hold), within, dict(set_values or {}))
    options: dict[str, Any] = {
        "structure": structure, "weights": weights, "seconds": seconds, "evals": evals,
        "seed": seed,
    }  # fmt: skip
    path = None if isinstance(run_or_patch, Patch) else _path_of(run_or_patch)
    if path is not None and path.suffix != ".json" and target is None:
        return refine_saved_run(
            path, selection, note=note, progress=progress, stop=stop, watch=watch, **options
        )[0]
    begun = begin_from_patch(run_or_patch, target, selection, **options)
    return search_refinement(begun, progress=progress, stop=stop, watch=watch)


def search_refinement(
    begun: Refinement,
    *,
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
    watch: Callable[[SearchRun], object] | None = None,
    checkpoint: Checkpoint | None = None,
    parent: str | None = None,
) -> MatchResult:
    """Set, search, and keep the better of both ends.

    Parameters
    ----------
    begun : Refinement
        What it begins with.
    progress, stop, watch, checkpoint
        As for `matcher.match`.
    parent : str, optional
        Where the patch came from, for the provenance.

    Returns
    -------
    MatchResult
        As `refine` gives it; `stages` holds the patch as it was given and, if values were set,
        the patch after that.
    """
    options = {"progress": progress, "stop": stop, "watch": watch, "checkpoint": checkpoint}
    chosen = begun.selection
    score = _Scorer(begun)
    given, _ = score(begun.patch)
    start = begun.begun
    stages = [StageResult("start", "start", begun.patch, given)]
    before, notes_before = score(start)
    if chosen.set_values:
        title = "set " + ", ".join(chosen.set_values)
        stages.append(StageResult("set", title, _stamped(start, begun, before, parent), before))
    patch, run, reason = start, None, "evaluations"
    if begun.is_search:
        patch, run, reason = _search(begun, start, options)
    after, notes = score(patch)
    if after.total >= before.total:
        patch, after, notes = start, before, notes_before
    return MatchResult(
        patch=_stamped(patch, begun, after, parent),
        target=begun.target,
        structure=begun.structure,
        space=begun.space() if begun.is_search else ParameterSpace(()),
        start=given,
        end=after,
        notes=tuple(
            replace(note, start=earlier.loss)
            for note, earlier in zip(notes, notes_before, strict=True)
        ),
        record=SearchRecord(()) if run is None else run.record,
        settings=begun.settings(),
        n_evaluations=0 if run is None else len(run.record),
        elapsed_s=0.0 if run is None else run.elapsed_s,
        busy_s=0.0 if run is None else run.busy_s,
        stop_reason=reason,
        stages=tuple(stages),
    )


def _path_of(run: str | Path | RunFolder) -> Path:
    """Take the path of a run that was loaded."""
    return Path(run) if isinstance(run, (str, Path)) else run.path


class _Scorer:
    """Scores patches on the notes of a refinement."""

    def __init__(self, begun: Refinement) -> None:
        self._begun = begun

    def __call__(self, patch: Patch) -> tuple[LossBreakdown, tuple[NoteMatch, ...]]:
        """Score a patch, and play it."""
        begun = self._begun
        return score_patch(
            patch,
            begun.structure,
            begun.target,
            gates_s=begun.gates_s,
            weights=begun.weights,
            seed=begun.noise_seed,
        )


def _search(
    begun: Refinement,
    start: Patch,
    options: Mapping[str, Any],
) -> tuple[Patch, SearchRun, str]:
    """Search, and make a patch of the best candidate."""
    space = begun.space()
    _note_ends(space, start)
    problem = Problem(begun.structure, space, start.values, len(begun.target.notes))
    first = problem.vector(start.values, start.phases if begun.has_phases else ())
    moves_phases = not begun.has_phases or any(n.startswith(_MOVES_PHASES) for n in space.names)
    plan = _plan(space, is_narrow=begun.selection.within is not None, has_phases=moves_phases)
    with begun.evaluator(problem) as evaluator:
        run = SearchRun(
            evaluator,
            first[None, :],
            [False] * problem.n_notes,
            seconds=begun.seconds,
            evals=begun.evals,
            **options,
        )
        reason = run.search(DEFAULT_SAMPLER, begun.seed, plan, is_plain=False)
        found = with_velocity_level(
            problem, run.best, evaluator.targets, evaluator.notes, seed=begun.noise_seed
        )
    values = dict(zip(CATALOGUE.names, problem.values(found[None, :])[0].tolist(), strict=True))
    phases = problem.note_phases(found) if moves_phases else start.phases
    return start.replace(values=values, phases=phases), run, reason


def _plan(space: ParameterSpace, *, is_narrow: bool, has_phases: bool) -> tuple[Stage, ...]:
    """Take small steps for few parameters; for more, walk, and search steps of a panel as well."""
    sigma = SIGMA_WITHIN if is_narrow else SIGMA_NEAR
    if len(space) <= FEW:
        return (Stage("small steps", 1.0, sigma, has_phases=has_phases, population=POPULATION),)
    # Where there are steps, no walk can stop at them for sure.
    has_steps = any(p.choices or p.step is not None for p in space)
    walks = Stage("walks", 0.6 if has_steps else 1.0, has_phases=has_phases)
    steps = Stage("small steps", 0.4, sigma, has_phases=has_phases)
    return (walks, steps) if has_steps else (walks,)


def _note_ends(space: ParameterSpace, start: Patch) -> None:
    """Say where a patch lies outside of what this structure can do."""
    for parameter in space:
        value = start.values[parameter.name]
        low, high = parameter.curve_range
        if not low <= value <= high:
            warnings.warn(
                f"{parameter.name} is {parameter.format(value)} in the patch; "
                f"{parameter.accepted} is accepted here, so the search begins at the end.",
                EarwrightWarning,
                stacklevel=5,
            )


def _stamped(patch: Patch, begun: Refinement, loss: LossBreakdown, parent: str | None) -> Patch:
    """Say in a patch where it comes from."""
    provenance = {
        "target_digest": begun.target.digest,
        "settings": begun.settings(),
        "versions": versions(),
        "loss": loss.to_dict(),
        "parent": parent,
    }
    return patch.replace(structure=begun.structure.name, provenance=provenance)
