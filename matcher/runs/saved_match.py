"""Matches that are saved while they run, and gone on with after anything.

`match_and_save` is what ``earwright match`` does: a run folder is claimed and locked, the search
is saved in it every few seconds, and its result is written. `resume_match` goes on with a search
that Ctrl-C, a signal, a crash or a full disk has ended, or adds budget to one that was finished.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matcher.defaults import DEFAULT_SECONDS, DEFAULT_STRUCTURE
from matcher.leave_out import match_leaving_out
from matcher.losses import weights_for
from matcher.matching import check_budget, match
from matcher.optimise import DEFAULT_SAMPLER
from matcher.runs.claim import Claim, claim_run, read_document
from matcher.runs.run_folder import RunFolder, claim_run_folder, save_run
from matcher.runs.run_update import bring_up_to_date
from matcher.runs.search_folder import SearchFolder, list_searches, new_search
from shared import EarwrightError, ParameterError, RunFolderError
from voice import Structure, load_structure

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from matcher.leave_out import Names
    from matcher.result import MatchResult
    from matcher.search.run import SearchRun
    from matcher.target import Target

__all__ = ["UnsavedError", "extended", "match_and_save", "resume_match"]

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
        The run folder, as for `matcher.runs.run_folder.claim_run_folder`.
    structure, seconds, evals, seed, sampler, weights, progress, stop, watch
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
    settings = {
        "seconds": DEFAULT_SECONDS if seconds is None and evals is None else seconds,
        "evals": evals,
        "seed": seed,
        "sampler": sampler,
        "weights": dict(weights_for(weights)),
        "leave_out": leave_out,
    }
    with claim_run_folder(target, voice.name, folder=folder, force=force) as claim:
        search = new_search(
            claim.path,
            "match",
            settings,
            target=target,
            structure=voice,
            command_line=None if command_line is None else list(command_line),
        )
        try:
            return _search_and_save(
                search,
                claim,
                target=target,
                structure=voice,
                options={"progress": progress, "stop": stop, "watch": watch},
            )
        except BaseException:
            if not search.has_begun:
                search.discard()
            raise


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
    search = _find_match(path)
    check_budget(extend_seconds, extend_evals)
    with claim_run(path) as claim:
        if extend_seconds is not None or extend_evals is not None:
            search = extended(search, extend_seconds, extend_evals)
        elif _is_finished(search):
            raise RunFolderError(
                f"{path} is finished: its budget is used, or it has converged. Add to it with "
                "--extend, or refine the patch with `earwright refine`.",
                path=path,
            )
        search.note_versions()
        if (read_document(path) or {}).get("search") == search.name:
            bring_up_to_date(path, claim)  # a patch that was edited is kept
        return _search_and_save(
            search,
            claim,
            target=search.target(),
            structure=search.structure(),
            options={"progress": progress, "stop": stop, "watch": watch},
        )


def _search_and_save(
    search: SearchFolder,
    claim: Claim,
    *,
    target: Target,
    structure: Structure,
    options: Mapping[str, Any],
) -> tuple[MatchResult, RunFolder]:
    """Search from where the search stands, and write what comes of it."""
    result = _run_search(search, target, {"structure": structure, **options})
    if getattr(options["stop"], "signal_number", None) is not None:
        result = replace(result, stop_reason="interrupted")
    command_line = search.request.get("command_line")
    try:
        saved = save_run(result, claim, command_line=command_line, search=search)
    except EarwrightError as error:
        raise UnsavedError(error, result, command="match") from error
    if search.has_begun:
        # The record of the run holds them now.
        with search.checkpoint() as checkpoint:
            checkpoint.drop_rows()
    return result, saved


def _run_search(search: SearchFolder, target: Target, options: Mapping[str, Any]) -> MatchResult:
    """Match as the request says."""
    settings = {**search.settings, **options}
    leave_out = settings.pop("leave_out", None)
    if leave_out is not None:
        # Several searches are no one search to look at.
        settings.pop("watch")
        return match_leaving_out(
            target, leave_out=leave_out, checkpoint_for=search.checkpoint, **settings
        )
    with search.checkpoint() as checkpoint:
        return match(target, checkpoint=checkpoint, **settings)


def _find_match(run: Path) -> SearchFolder:
    """Find the match of a run: the last one that was begun in the folder."""
    if not run.is_dir():
        raise RunFolderError(
            f"{run} is no folder; a folder that `earwright match` writes to is accepted. Check "
            "the name.",
            path=run,
        )
    searches = list_searches(run, "match")
    document = read_document(run)
    if not searches or (document is not None and not searches[-1].has_begun):
        raise RunFolderError(
            f"{run} holds no search to go on with; a folder that `earwright match` writes to is "
            "accepted. Check the name.",
            path=run,
        )
    return searches[-1]


def _is_finished(search: SearchFolder) -> bool:
    """Whether the search has used its budget, and its result is written."""
    document = read_document(search.run) or {}
    written = document.get("settings")
    told: Mapping[str, object] = written if isinstance(written, dict) else {}
    budget = told.get("leave_out", told)
    return (
        document.get("search") == search.name
        and document.get("stop_reason") in FINISHED
        and isinstance(budget, dict)
        and all(budget.get(name) == search.settings[name] for name in ("seconds", "evals"))
    )


def extended(search: SearchFolder, seconds: float | None, evals: int | None) -> SearchFolder:
    """Add to the budget of a search.

    Parameters
    ----------
    search : SearchFolder
        The search.
    seconds, evals : float or int, optional
        What is added, in the kind of budget that the search has.

    Returns
    -------
    SearchFolder
        The same search with the larger budget.

    Raises
    ------
    ParameterError
        If its budget is of the other kind.
    """
    for name, more in (("seconds", seconds), ("evals", evals)):
        before = search.settings[name]
        if more is not None:
            if before is None:
                other = "seconds" if name == "evals" else "evals"
                raise ParameterError(
                    f"{name} is {more:g}, and the budget of {search.run} is in "
                    f"{'evaluations' if name == 'seconds' else 'seconds'}; the same kind is "
                    f"accepted. Give --{other}.",
                    name=name,
                    value=more,
                )
            search = search.with_settings(**{name: before + more})
    return search
