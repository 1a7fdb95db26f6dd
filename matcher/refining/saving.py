"""Refinements that are saved: as versions of a run, or as a run of their own."""

from __future__ import annotations

import shutil
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matcher.matching import check_budget
from matcher.refining.beginning import (
    START_FILE,
    begin_again,
    begin_from_patch,
    begin_from_run,
    search_options,
)
from matcher.refining.refine import search_refinement
from matcher.refining.selection import Selection
from matcher.runs import Version, add_version, find_version, split_version
from matcher.runs.claim import Claim, claim_run
from matcher.runs.run_files import write_record
from matcher.runs.run_folder import STUDY_NAME, RunFolder, claim_run_folder, load_run, save_run
from matcher.runs.run_update import bring_up_to_date, show_version
from matcher.runs.saved_match import FINISHED, UnsavedError, extended
from matcher.runs.search_folder import SearchFolder, list_searches, new_search
from shared import EarwrightError, RunFolderError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from matcher.refining.refinement import Refinement
    from matcher.result import MatchResult
    from matcher.search.run import SearchRun
    from matcher.target import Target
    from shared import Patch
    from voice import Structure

__all__ = ["refine_and_save", "refine_saved_run", "resume_refine"]


def refine_saved_run(
    run: str | Path,
    selection: Selection,
    *,
    note: str = "",
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
    watch: Callable[[SearchRun], object] | None = None,
    **options: Any,  # noqa: ANN401  as for `begin_from_run`
) -> tuple[MatchResult, RunFolder]:
    """Refine a run in its folder: the result becomes its current version.

    Parameters
    ----------
    run : str or Path
        The run folder, or a version of it (``runs/horn@3``).
    selection : Selection
        What may move, and what is set.
    note, progress, stop, watch
        As for `matcher.refine`.
    **options
        As for `matcher.refining.beginning.begin_from_run`.

    Returns
    -------
    result : MatchResult
        What was found.
    run : RunFolder
        The run as it is now.

    Raises
    ------
    RunFolderError
        If the run can't be used, or is in use.
    ParameterError
        As for `matcher.refine`.
    """
    path, wanted = split_version(run)
    load_run(path)
    with claim_run(path) as claim:
        current = bring_up_to_date(path, claim)
        start = current if wanted is None else find_version(path, wanted)
        begun = begin_from_run(path, start, selection, **options)
        search = new_search(
            path, "refine", begun.settings(), version=start.number, note=" ".join(note.split())
        )
        return _search_in_run(
            search, claim, begun, start, progress=progress, stop=stop, watch=watch
        )


def refine_and_save(
    run_or_patch: str | Path | RunFolder | Patch,
    target: Target | None,
    folder: str | Path | None = None,
    *,
    only: Sequence[str] = (),
    hold: Sequence[str] = (),
    within: Any = None,  # noqa: ANN401  as for `refine`
    set_values: Mapping[str, float] | None = None,
    structure: str | Path | Structure | None = None,
    weights: str | Mapping[str, float] | None = None,
    seconds: float | None = None,
    evals: int | None = None,
    seed: int = 0,
    force: bool = False,
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
    command_line: Sequence[str] | None = None,
) -> tuple[MatchResult, RunFolder]:
    """Refine a patch for a target, and write a run folder of its own.

    Parameters
    ----------
    run_or_patch, target, only, hold, within, set_values, structure, weights, seconds, evals, seed
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
        structure=structure,
        weights=weights,
        seconds=seconds,
        evals=evals,
        seed=seed,
    )
    with claim_run_folder(begun.target, begun.structure.name, folder=folder, force=force) as claim:
        search = new_search(
            claim.path,
            "refine",
            begun.settings(),
            target=begun.target,
            structure=begun.structure,
            gates_s=list(begun.gates_s),
            command_line=None if command_line is None else list(command_line),
        )
        try:
            begun.patch.save(search.path / START_FILE)
            return _search_new_run(search, claim, begun, progress=progress, stop=stop)
        except BaseException:
            if not search.has_begun:
                search.discard()
            raise


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
        raise RunFolderError(f"{path} is no folder; a run folder is accepted.", path=path)
    with claim_run(path) as claim:
        searches = [s for s in list_searches(path, "refine") if s.has_begun]
        is_extended = extend_seconds is not None or extend_evals is not None
        open_ones = searches if is_extended else [s for s in searches if not _is_finished(s)]
        if not open_ones:
            raise RunFolderError(
                f"{path} has no refinement that was interrupted; begin one with "
                f"`earwright refine {path}`, or add to the last one with --extend.",
                path=path,
            )
        search = open_ones[-1]
        if is_extended:
            search = extended(search, extend_seconds, extend_evals)
        search.note_versions()
        if (search.path / START_FILE).exists():
            return _search_new_run(
                search, claim, begin_again(search), progress=progress, stop=stop
            )
        bring_up_to_date(path, claim)
        start = find_version(path, int(search.request["version"]))
        begun = begin_from_run(path, start, **search_options(search))
        return _search_in_run(search, claim, begun, start, progress=progress, stop=stop)


def _search_in_run(
    search: SearchFolder,
    claim: Claim,
    begun: Refinement,
    start: Version,
    **options: Any,  # noqa: ANN401  as for `search_refinement`
) -> tuple[MatchResult, RunFolder]:
    """Search from where the search stands, and add what comes of it to the run."""
    try:
        result = _run_search(search, begun, f"version {start.number}", **options)
    except BaseException:
        if not search.has_begun:
            search.discard()
        raise
    try:
        version = _add_versions(search, begun, result, start)
        show_version(claim.path, claim, version)
        _finish(search, result, version=version.number)
    except EarwrightError as error:
        raise UnsavedError(error, result, command="refine") from error
    return result, load_run(claim.path)


def _search_new_run(
    search: SearchFolder,
    claim: Claim,
    begun: Refinement,
    *,
    progress: bool,
    stop: Callable[[], bool] | None,
) -> tuple[MatchResult, RunFolder]:
    """Search from where the search stands, and write a run of its own."""
    result = _run_search(search, begun, "patch", progress=progress, stop=stop)
    try:
        command_line = search.request.get("command_line")
        saved = save_run(result, claim, command_line=command_line, search=search)
        search.finish(result.stop_reason)
    except EarwrightError as error:
        raise UnsavedError(error, result, command="refine") from error
    return result, saved


def _run_search(
    search: SearchFolder,
    begun: Refinement,
    parent: str,
    *,
    stop: Callable[[], bool] | None,
    **options: Any,  # noqa: ANN401  as for `search_refinement`
) -> MatchResult:
    """Search, saved in the folder of the search."""
    with search.checkpoint() if begun.is_search else nullcontext() as checkpoint:
        result = search_refinement(
            begun, stop=stop, checkpoint=checkpoint, parent=parent, **options
        )
    if getattr(stop, "signal_number", None) is not None:
        result = replace(result, stop_reason="interrupted")
    return result


def _add_versions(
    search: SearchFolder, begun: Refinement, result: MatchResult, start: Version
) -> Version:
    """Add a version for what was set, and one for what was found."""
    run = search.run
    note, parent = str(search.request.get("note", "")), start.number
    made = search.request.get("made", [])
    if made:
        parent = int(made[-1])
    else:
        for stage in result.stages[1:]:
            version = add_version(
                run,
                stage.patch,
                kind=stage.kind,
                title=stage.title,
                parent=parent,
                note=note,
                loss=stage.loss,
                gates_s=begun.gates_s,
            )
            parent = version.number
            if not begun.is_search:
                return version
    cut_short = result.stop_reason in {"interrupted", "stopped"}
    return add_version(
        run,
        result.patch,
        kind="refine",
        title=begun.selection.title + (", stopped early" if cut_short else ""),
        parent=parent,
        note=note,
        loss=result.end,
        gates_s=begun.gates_s,
    )


def _finish(search: SearchFolder, result: MatchResult, *, version: int) -> None:
    """Keep the record of a search beside it, and note which version came of it."""
    if len(result.record):
        temporary = search.path / ".record.tmp"
        shutil.rmtree(temporary, ignore_errors=True)
        temporary.mkdir()
        try:
            write_record(result, temporary, study_name=STUDY_NAME)
            for path in sorted(temporary.iterdir()):
                path.replace(search.path / path.name)
        finally:
            shutil.rmtree(temporary, ignore_errors=True)
        with search.checkpoint() as checkpoint:
            checkpoint.drop_rows()
    search.finish(result.stop_reason, version=version)


def _is_finished(search: SearchFolder) -> bool:
    """Whether a refinement has used its budget."""
    return search.request.get("finished") in FINISHED
