"""Matches and refinements that are saved while they run, and gone on with after anything.

`match_and_save` is what ``earwright match`` does: a run folder is locked, the search is saved in
it every few seconds, and its result is written. `resume_match` goes on with a search that Ctrl-C,
a signal, a crash or a full disk has ended, or adds budget to one that was finished. `refine` and
`refine_and_save` do the same for a refinement, as a version of a run or as a run of its own.
"""

from __future__ import annotations

from contextlib import contextmanager, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matcher.defaults import DEFAULT_SECONDS, DEFAULT_STRUCTURE
from matcher.leave_out import match_leaving_out
from matcher.losses import weights_for
from matcher.matching import check_budget, check_n_settings, match
from matcher.optimise import DEFAULT_SAMPLER, check_sampler
from matcher.refining import (
    START_FILE,
    begin_again,
    begin_from_patch,
    begin_from_run,
    search_options,
    search_refinement,
)
from matcher.runs import find_version
from matcher.runs.folder import RunFolder, keep_record, load_run, lock_new_run, save_run
from matcher.runs.layout import read_unchecked
from matcher.runs.lock import LockedRun, lock_existing_run
from matcher.runs.searches import SearchFolder, find_match, list_searches, new_search
from matcher.runs.updating import bring_up_to_date, show_version
from matcher.runs.versions import add_version
from matcher.selection import Selection
from shared import EarwrightError, Patch, RunFolderError
from voice import Structure, load_structure

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from matcher.refining import Refinement
    from matcher.result import MatchResult
    from matcher.runs import Version
    from matcher.search.run import SearchRun
    from matcher.selection import Within
    from matcher.target import Target
    from matcher.target.note import Names

__all__ = [
    "UnsavedError",
    "match_and_save",
    "refine",
    "refine_and_save",
    "refine_saved_run",
    "resume_match",
    "resume_refine",
]

FINISHED = frozenset({"evaluations", "deadline", "converged"})


class UnsavedError(RunFolderError):
    """A search has ended, and its result can't be written; `result` has it.

    The search itself is saved as far as there was room: `resume_match` goes on from there.
    """

    def __init__(self, error: EarwrightError, result: MatchResult, *, command: str) -> None:
        hint = f"What was searched is saved: earwright {command} --resume goes on from there."
        super().__init__(f"{error} {hint}", path=error.path)
        self.result = result


def match_and_save(
    target: Target,
    folder: str | Path | None = None,
    *,
    structure: str | Path | Structure = DEFAULT_STRUCTURE,
    seconds: float | None = None,
    evals: int | None = None,
    seed: int = 0,
    sampler: str = DEFAULT_SAMPLER,
    weights: str | Mapping[str, float] | None = None,
    leave_out: Names | None = None,
    n_settings: int | None = None,
    force: bool = False,
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
    watch: Callable[[SearchRun], object] | None = None,
    command_line: Sequence[str] | None = None,
) -> tuple[MatchResult, RunFolder]:
    """Match a target, save the search as it goes, and write a run folder.

    Parameters
    ----------
    target : Target
        The notes, from `load_target`.
    folder : str or Path, optional
        The run folder, as for `matcher.save_run`.
    structure, seconds, evals, seed, sampler, weights, n_settings, progress, stop, watch
        As for `matcher.match`.
    leave_out : str, float, or a sequence of them, optional
        As for `matcher.match_leaving_out`.
    force : bool
        Whether a run in that folder may be replaced.
    command_line : sequence of str, optional
        The arguments of the command line, to be kept in `run.json`.

    Returns
    -------
    result : MatchResult
        The best patch and how it was found.
    run : RunFolder
        What was written.

    Raises
    ------
    RunFolderError
        If the folder can't be used; `UnsavedError` if the search has ended and there is no room
        for its result.
    ParameterError
        If an argument lies outside its range.
    StructureError
        If the structure can't be loaded.
    """
    voice = structure if isinstance(structure, Structure) else load_structure(structure)
    check_budget(seconds, evals)
    check_n_settings(n_settings)
    check_sampler(sampler, seed)
    settings = {
        "seconds": DEFAULT_SECONDS if seconds is None and evals is None else seconds,
        "evals": evals,
        "seed": seed,
        "sampler": sampler,
        "weights": dict(weights_for(weights)),
        "leave_out": leave_out,
        **({} if n_settings is None else {"n_settings": n_settings}),
    }
    with lock_new_run(target, voice.name, folder=folder, force=force) as locked:
        search = new_search(
            locked.path,
            "match",
            settings,
            target=target,
            structure=voice,
            command_line=None if command_line is None else list(command_line),
        )
        with _discarded_if_unbegun(search):
            return _match(search, locked, target, voice, progress=progress, stop=stop, watch=watch)


def resume_match(
    run: str | Path,
    *,
    extend_seconds: float | None = None,
    extend_evals: int | None = None,
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
    watch: Callable[[SearchRun], object] | None = None,
) -> tuple[MatchResult, RunFolder]:
    """Go on with the match of a run folder.

    A search with a budget of evaluations ends in the same patch as if it had never been
    interrupted.

    Parameters
    ----------
    run : str or Path
        The run folder.
    extend_seconds : float > 0, optional
        Seconds to add to a budget in seconds; also for a match that was finished.
    extend_evals : int >= 1, optional
        Evaluations to add to a budget in evaluations.
    progress, stop, watch
        As for `matcher.match`.

    Returns
    -------
    result : MatchResult
        The best patch.
    run : RunFolder
        What was written: newer versions, nothing less.

    Raises
    ------
    RunFolderError
        If the folder holds no match that was saved, it is finished and nothing is added, or it
        is in use.
    ParameterError
        If the budget is of another kind.
    """
    path = Path(run)
    search = find_match(path)
    check_budget(extend_seconds, extend_evals)
    with lock_existing_run(path) as locked:
        if extend_seconds is not None or extend_evals is not None:
            search = search.extended(extend_seconds, extend_evals)
        elif _is_match_finished(search):
            raise RunFolderError(
                f"{path} is finished: its budget is used, or it has converged. Add to it with "
                "--extend, or refine the patch with `earwright refine`.",
                path=path,
            )
        search.note_versions()
        if (read_unchecked(path) or {}).get("search") == search.name:
            bring_up_to_date(path, locked)  # a patch that was edited is kept
        target, structure = search.target(), search.structure()
        return _match(search, locked, target, structure, progress=progress, stop=stop, watch=watch)


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
    version: str | int | None = None,
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
        A run folder, a patch file, or a patch.
    target : Target, optional
        What to match; that of the run if left out.
    only, hold : sequence of str
        Patterns (``"filter*"``, ``"*.attack_s"``) or groups ("pitch", "waveform", "attack",
        "brightness", "movement", "level") of what may move, and of what may not.
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
        Time to search; 10 s if neither budget is given. 0, with `set_values`, only sets.
    evals : int >= 0, optional
        Candidates to evaluate instead.
    seed : int >= 0
        Seed of the search.
    version : str or int, optional
        The version of a run to begin at, by number or name; its present state if left out.
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
    """
    selection = Selection(tuple(only), tuple(hold), within, dict(set_values or {}))
    options: dict[str, Any] = {
        "structure": structure, "weights": weights, "seconds": seconds, "evals": evals,
        "seed": seed,
    }  # fmt: skip
    searching: dict[str, Any] = {"progress": progress, "stop": stop, "watch": watch}
    if target is None and not isinstance(run_or_patch, Patch):
        path = Path(run_or_patch.path if isinstance(run_or_patch, RunFolder) else run_or_patch)
        if path.suffix != ".json":
            return refine_saved_run(
                path, selection, version=version, note=note, **options, **searching
            )[0]
    begun = begin_from_patch(run_or_patch, target, selection, version=version, **options)
    return search_refinement(begun, **searching)


def refine_saved_run(
    run: str | Path,
    selection: Selection,
    *,
    version: str | int | None = None,
    note: str = "",
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
    watch: Callable[[SearchRun], object] | None = None,
    **options: Any,  # noqa: ANN401  as for `begin_from_run`
) -> tuple[MatchResult, RunFolder]:
    """Refine a run, or a version of it, in its folder: the result becomes its current version.

    The options are those of `matcher.refining.begin_from_run`.
    """
    path = Path(run)
    load_run(path)
    with lock_existing_run(path) as locked:
        current = bring_up_to_date(path, locked)
        start = current if version is None else find_version(path, version)
        begun = begin_from_run(path, start, selection, **options)
        note = " ".join(note.split())
        search = new_search(path, "refine", begun.settings(), version=start.number, note=note)
        return _refine_in_run(
            search, locked, begun, start, progress=progress, stop=stop, watch=watch
        )


def refine_and_save(
    run_or_patch: str | Path | RunFolder | Patch,
    target: Target | None,
    folder: str | Path | None = None,
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
    version: str | int | None = None,
    force: bool = False,
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
    command_line: Sequence[str] | None = None,
) -> tuple[MatchResult, RunFolder]:
    """Refine a patch for a target, and write a run folder of its own.

    Parameters
    ----------
    run_or_patch, target, only, hold, within, set_values, structure, weights, seconds, evals, \
    seed, version
        As for `matcher.refine`.
    folder, force, progress, stop, command_line
        As for `matcher.match_and_save`.

    Returns
    -------
    result : MatchResult
        What was found.
    run : RunFolder
        What was written.

    Raises
    ------
    EarwrightError
        As for `matcher.refine` and `matcher.match_and_save`.
    """
    begun = begin_from_patch(
        run_or_patch,
        target,
        Selection(tuple(only), tuple(hold), within, dict(set_values or {})),
        version=version,
        structure=structure,
        weights=weights,
        seconds=seconds,
        evals=evals,
        seed=seed,
    )
    with lock_new_run(begun.target, begun.structure.name, folder=folder, force=force) as locked:
        search = new_search(
            locked.path,
            "refine",
            begun.settings(),
            target=begun.target,
            structure=begun.structure,
            gates_s=list(begun.gates_s),
            command_line=None if command_line is None else list(command_line),
        )
        with _discarded_if_unbegun(search):
            begun.patch.save(search.path / START_FILE)
            return _refine_apart(search, locked, begun, progress=progress, stop=stop)


def resume_refine(
    run: str | Path,
    *,
    extend_seconds: float | None = None,
    extend_evals: int | None = None,
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
) -> tuple[MatchResult, RunFolder]:
    """Go on with the last refinement of a run that was interrupted, or add to its budget.

    Parameters
    ----------
    run : str or Path
        The run folder.
    extend_seconds, extend_evals, progress, stop
        As for `matcher.resume_match`.

    Returns
    -------
    result : MatchResult
        What was found.
    run : RunFolder
        The run as it is now.

    Raises
    ------
    RunFolderError
        If there is no refinement to go on with, or the run is in use.
    ParameterError
        If the budget is of another kind.
    """
    path = Path(run)
    check_budget(extend_seconds, extend_evals)
    if not path.is_dir():
        raise RunFolderError(f"{path} is no folder; it must be a run folder.", path=path)
    with lock_existing_run(path) as locked:
        searches = [s for s in list_searches(path, "refine") if s.has_begun]
        is_extended = extend_seconds is not None or extend_evals is not None
        if not is_extended:
            searches = [s for s in searches if s.request.finished not in FINISHED]
        if not searches:
            raise RunFolderError(
                f"{path} has no refinement that was interrupted; begin one with "
                f"`earwright refine {path}`, or add to the last one with --extend.",
                path=path,
            )
        search = searches[-1]
        if is_extended:
            search = search.extended(extend_seconds, extend_evals)
        search.note_versions()
        if (search.path / START_FILE).exists():
            begun = begin_again(search)
            return _refine_apart(search, locked, begun, progress=progress, stop=stop)
        bring_up_to_date(path, locked)
        start = find_version(path, search.request.version)
        begun = begin_from_run(path, start, **search_options(search))
        return _refine_in_run(search, locked, begun, start, progress=progress, stop=stop)


@contextmanager
def _discarded_if_unbegun(search: SearchFolder) -> Iterator[None]:
    """Take the folder of a search away if the block fails before anything was saved in it."""
    try:
        yield
    except BaseException:
        if not search.has_begun:
            search.discard()
        raise


def _match(
    search: SearchFolder,
    locked: LockedRun,
    target: Target,
    structure: Structure,
    **options: Any,  # noqa: ANN401  as for the search
) -> tuple[MatchResult, RunFolder]:
    """Match from where the search has come to, and write what comes of it."""
    settings = {**search.settings, "structure": structure, **options}
    leave_out = settings.pop("leave_out", None)
    if leave_out is not None:
        # Several searches are no one search to look at.
        settings.pop("watch")
        result = match_leaving_out(
            target, leave_out=leave_out, checkpoint_for=search.checkpoint, **settings
        )
    else:
        with search.checkpoint() as checkpoint:
            result = match(target, checkpoint=checkpoint, **settings)
    result = _interrupted_by(options["stop"], result)
    saved = _save_as_run(search, locked, result, command="match")
    if search.has_begun:
        # The record of the run holds them now.
        with search.checkpoint() as checkpoint:
            checkpoint.drop_rows()
    return result, saved


def _refine_in_run(
    search: SearchFolder,
    locked: LockedRun,
    begun: Refinement,
    start: Version,
    **options: Any,  # noqa: ANN401  as for the search
) -> tuple[MatchResult, RunFolder]:
    """Refine from where the search has come to, and add what comes of it to the run."""
    with _discarded_if_unbegun(search):
        result = _refine(search, begun, f"version {start.number}", **options)
    try:
        version = _add_versions(search, begun, result, start)
        show_version(locked.path, locked, version)
        keep_record(search, result)
        search.finish(result.stop_reason, version=version.number)
    except EarwrightError as error:
        raise UnsavedError(error, result, command="refine") from error
    return result, load_run(locked.path)


def _refine_apart(
    search: SearchFolder,
    locked: LockedRun,
    begun: Refinement,
    **options: Any,  # noqa: ANN401  as for the search
) -> tuple[MatchResult, RunFolder]:
    """Refine from where the search has come to, and write a run of its own."""
    result = _refine(search, begun, "patch", **options)
    saved = _save_as_run(search, locked, result, command="refine")
    search.finish(result.stop_reason)
    return result, saved


def _refine(
    search: SearchFolder,
    begun: Refinement,
    parent: str,
    **options: Any,  # noqa: ANN401  as for the search
) -> MatchResult:
    """Refine, saved in the folder of the search."""
    with search.checkpoint() if begun.is_search else nullcontext() as checkpoint:
        result = search_refinement(begun, checkpoint=checkpoint, parent=parent, **options)
    return _interrupted_by(options["stop"], result)


def _interrupted_by(stop: object, result: MatchResult) -> MatchResult:
    """Say of a result that a signal ended the search, if one did."""
    is_interrupted = getattr(stop, "signal_number", None) is not None
    return replace(result, stop_reason="interrupted") if is_interrupted else result


def _save_as_run(
    search: SearchFolder, locked: LockedRun, result: MatchResult, *, command: str
) -> RunFolder:
    """Write a result as a run; where there is no room, the error has the result."""
    command_line = search.request.command_line
    try:
        return save_run(result, locked, command_line=command_line, search=search)
    except EarwrightError as error:
        raise UnsavedError(error, result, command=command) from error


def _add_versions(
    search: SearchFolder, begun: Refinement, result: MatchResult, start: Version
) -> Version:
    """Add a version for what was set, and one for what was found."""
    made = search.request.made
    common: dict[str, Any] = {"note": search.request.note, "gates_s": begun.gates_s}
    parent = made[-1] if made else start.number
    for stage in () if made else result.stages[1:]:
        version = add_version(
            search.run,
            stage.patch,
            kind=stage.kind,
            title=stage.title,
            parent=parent,
            loss=stage.loss,
            **common,
        )
        parent = version.number
        if not begun.is_search:
            return version
    cut_short = result.stop_reason in {"interrupted", "stopped"}
    return add_version(
        search.run,
        result.patch,
        kind="refine",
        title=begun.selection.title + (", stopped early" if cut_short else ""),
        parent=parent,
        loss=result.end,
        **common,
    )


def _is_match_finished(search: SearchFolder) -> bool:
    """Whether the match has used its budget, and its result is written."""
    document = read_unchecked(search.run) or {}
    written = document.get("settings")
    settings: Mapping[str, object] = written if isinstance(written, dict) else {}
    budget = settings.get("leave_out", settings)
    return (
        document.get("search") == search.name
        and document.get("stop_reason") in FINISHED
        and isinstance(budget, dict)
        and all(budget.get(name) == search.settings[name] for name in ("seconds", "evals"))
    )
