"""All sections of an explanation, one after the other, each kept as soon as it is there."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from matcher.explaining.build_order import build_order
from matcher.explaining.clock import Clock
from matcher.explaining.importance import (
    DEFAULT_N_EVALUATIONS,
    DEFAULT_N_FANOVA,
    find_interactions,
    search_importance,
)
from matcher.explaining.in_this_patch import parts_in_patch
from matcher.explaining.model import Explanation
from matcher.explaining.prepared_run import prepare_run
from matcher.explaining.slack import slack_of_patch
from matcher.optimise import SearchRecord
from matcher.runs.folder import RunFolder, load_run
from matcher.runs.lock import lock_run
from shared import ParameterError, RunFolderError, sha256_digest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from matcher.explaining.prepared_run import PreparedRun

__all__ = ["FEWEST_SECONDS", "default_seconds", "explain"]

# A match that took less than this is explained in so much time.
FEWEST_SECONDS = 5.0
# What of the budget may be used when a section ends; the order of building is quick to find, and
# is what most people want first.
_BUILD_UNTIL = 0.15
_SEARCH_UNTIL = 0.22
_PARTS_UNTIL = 0.48
_JOINT_UNTIL = 0.54
# What is at work by then is done in time.
_SLACK_UNTIL = 0.96
# Time of PED-ANOVA for each evaluation and parameter, in s, and what it may take of the budget.
_PED_ANOVA_S = 12e-6
_PED_ANOVA_RATIO = 0.05
_FEWEST_PED_ANOVA = 400
# About the time of fANOVA for each evaluation and parameter of a sample of 200, in s.
_FANOVA_S = 0.0006
_FANOVA_RATIO = 0.1
_FEWEST_FANOVA = 64


def explain(
    run: str | Path | RunFolder,
    *,
    seconds: float | None = None,
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
) -> Explanation:
    """Say what mattered in a run: which parts, where, how exactly, and in which order to set them.

    `explain.json` in the run folder is written after each section, so that what is done is kept
    whatever happens; the sounds of the build order go to `build/`. Sections of an earlier
    explanation of the same patch stay until they are done anew.

    Parameters
    ----------
    run : str, Path or RunFolder
        The run; its current patch is explained.
    seconds : float > 0, optional
        Time to spend, in s; as long as the match took, at least 5 s, if left out. With less time,
        parts are left out without the rest being fitted again, and controls are missing.
    progress : bool
        Whether to show a progress bar (also in notebooks).
    stop : callable, optional
        Asked often; the explanation ends when it returns True.

    Returns
    -------
    Explanation
        Its sections. Ctrl-C ends it early and still returns what is there.

    Raises
    ------
    ParameterError
        If `seconds` lies outside its range.
    RunFolderError
        If it is no run folder, or isn't complete.
    FileError
        If something can't be written.
    """
    folder = run if isinstance(run, RunFolder) else load_run(run)
    budget = default_seconds(folder) if seconds is None else seconds
    if not 0.0 < budget <= 86_400.0:
        raise ParameterError(
            f"seconds is {budget:g}; it must be above 0 and up to 86400 (a day).", name="seconds"
        )
    from threadpoolctl import threadpool_limits  # noqa: PLC0415  only where it is needed

    with (
        lock_run(folder.path),
        # Small matrices: more threads only get in the way of those that render.
        threadpool_limits(1, user_api="blas"),
        prepare_run(folder) as prepared,
        Clock(budget, show=progress, stop=stop) as clock,
    ):
        found = _begin(folder, prepared, clock)
        is_first = found.build is None
        try:
            for grown in _grow(found, folder, prepared, clock):
                if clock.is_stopped and not is_first:
                    break  # a section that was cut short is no better than the earlier one
                found = replace(grown, elapsed_s=clock.elapsed_s)
                found.save(folder.path)
                if clock.is_stopped:
                    break
            reason = "stopped" if clock.is_stopped else "complete"
        except KeyboardInterrupt:
            reason = "stopped"
        found = replace(found, elapsed_s=clock.elapsed_s, stop_reason=reason)
        found.save(folder.path)
    return found


def default_seconds(run: RunFolder) -> float:
    """Say how long a run is explained if nothing is said: as long as its match, 5 s at least."""
    figures = run.run.get("figures")
    elapsed_s = figures.get("elapsed_s") if isinstance(figures, dict) else None
    return max(float(elapsed_s), FEWEST_SECONDS) if isinstance(elapsed_s, (int, float)) else 30.0


def _begin(folder: RunFolder, prepared: PreparedRun, clock: Clock) -> Explanation:
    """Make an explanation with the sections of an earlier one of the same patch, if any."""
    digest = sha256_digest(folder.path / "patch.json")
    earlier: Explanation | None = None
    with contextlib.suppress(RunFolderError):
        earlier = Explanation.load(folder.path)
    if earlier is not None and earlier.patch_digest != digest:
        earlier = None
    return Explanation(
        patch_digest=digest,
        structure=prepared.problem.structure.name,
        loss=prepared.loss.total,
        terms=dict(prepared.loss.terms),
        notes=tuple(note.name for note in prepared.target.notes),
        created=datetime.now(tz=UTC).isoformat(timespec="seconds"),
        seconds=clock.seconds,
        elapsed_s=clock.elapsed_s,
        stop_reason="running",
        search=None if earlier is None else earlier.search,
        parts=None if earlier is None else earlier.parts,
        slack=None if earlier is None else earlier.slack,
        build=None if earlier is None else earlier.build,
    )


def _grow(
    found: Explanation, folder: RunFolder, prepared: PreparedRun, clock: Clock
) -> Iterator[Explanation]:
    """Add the sections one by one, the ones that are quick first."""
    clock.begin(_BUILD_UNTIL)
    found = replace(found, build=build_order(prepared, clock, folder.path))
    yield found
    clock.begin(_SEARCH_UNTIL)
    clock.show("importance over the search")
    record = SearchRecord.from_npz(folder.record)
    names = prepared.problem.space.names
    search = search_importance(
        record,
        names,
        n_evaluations=_n_ped_anova(clock.seconds, len(names)),
        n_fanova=_n_fanova(clock.seconds, len(names)),
    )
    found = replace(found, search=search)
    yield found
    clock.begin(_PARTS_UNTIL)
    parts = parts_in_patch(prepared, clock)
    found = replace(found, parts=parts)
    yield found
    clock.show("controls that act jointly")
    clock.begin(_JOINT_UNTIL)
    interactions = find_interactions(prepared, parts.parts, seconds=clock.left_s)
    found = replace(found, parts=replace(parts, interactions=interactions))
    yield found
    clock.begin(_SLACK_UNTIL)
    yield replace(found, slack=slack_of_patch(prepared, clock))


def _n_ped_anova(seconds: float, n_parameters: int) -> int:
    """Choose how many evaluations PED-ANOVA sees, by the time that it may take."""
    affordable = round(_PED_ANOVA_RATIO * seconds / (_PED_ANOVA_S * max(n_parameters, 1)))
    return min(max(affordable, _FEWEST_PED_ANOVA), DEFAULT_N_EVALUATIONS)


def _n_fanova(seconds: float, n_parameters: int) -> int:
    """Choose the size of fANOVA's sample by the time that it may take; 0 if that is too little."""
    # Trees over n evaluations take a little more than n times as long as over one.
    affordable = round(_FANOVA_RATIO * seconds / (_FANOVA_S * max(n_parameters, 1)))
    return 0 if affordable < _FEWEST_FANOVA else min(affordable, DEFAULT_N_FANOVA)
