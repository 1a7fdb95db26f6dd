"""Comparing structures, and matching whole libraries of targets: the functions a user calls."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from matcher.comparing.folder import COMPARE_FILE, ComparisonFolder
from matcher.comparing.planning import Plan, check_extension, check_targets, make_plan
from matcher.comparing.running import Workers, do_runs
from matcher.defaults import DEFAULT_STRUCTURE
from matcher.runs.folder import DEFAULT_PARENT
from matcher.runs.layout import common_name
from matcher.runs.lock import lock_named, lock_numbered

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from matcher.comparing.comparison import Comparison
    from voice import Structure

__all__ = ["batch", "compare", "continue_comparison"]


def compare(
    targets: Sequence[str | Path | Sequence[str | Path]],
    structures: Sequence[str | Path | Structure],
    *,
    seeds: int | Sequence[int] = 5,
    seconds: float | None = None,
    evals: int | None = None,
    folder: str | Path | None = None,
    thresholds: Sequence[float] | None = None,
    sampler: str | None = None,
    weights: str | Mapping[str, float] | None = None,
    n_processes: int | None = None,
    cluster: str | None = None,
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
) -> Comparison:
    """Match the same targets with several structures, and say what the runs show.

    Every structure gets the same targets, budget and seeds. Finished runs are kept in the folder
    and never repeated: after Ctrl-C, or with more targets, structures or seeds, the same call
    does what is missing.

    Parameters
    ----------
    targets : sequence
        A recording is a target; a manifest (``.toml``) gives a target for each of its
        instruments, and one for each note without an instrument; a list of recordings is one
        target of several notes.
    structures : sequence of str, Path or Structure
        Names of `voice.list_structures`, structure files, or what was loaded of them. The verdict
        sets the others against the first.
    seeds : int >= 1, or sequence of int
        How many runs of each target with each structure (seeds 0, 1, 2, ...), or their seeds.
    seconds : float > 0, optional
        Time to search in each run, in seconds; 30 if neither budget is given.
    evals : int >= 1, optional
        Candidates to try in each run instead; results are then the same on every machine.
    folder : str or Path, optional
        Where everything is kept; ``runs/compare-NAME-N`` with the next free number if left out.
    thresholds : sequence of float > 0, optional
        Losses in audible steps; figures say how soon each is reached. Ten from 10 down to 1 if
        left out.
    sampler : str, optional
        A name of `matcher.optimise.SAMPLER_NAMES`.
    weights : str, or mapping of str to float, optional
        As for `matcher.match`.
    n_processes : int >= 1, optional
        Runs at a time on this machine; as many as it has cores if left out.
    cluster : str, optional
        Address of a Dask scheduler (``tcp://HOST:8786``) whose workers do the runs instead.
    progress : bool
        Whether to show a progress bar.
    stop : callable, optional
        Asked often; work ends when it returns True.

    Returns
    -------
    Comparison
        Finished runs and what they show; the same is written to the folder.

    Raises
    ------
    ParameterError
        If an argument lies outside its range.
    TargetError, AudioError, StructureError
        If a file can't be used.
    RunFolderError
        If the folder holds something else or another comparison, or can't be written.
    EarwrightError
        If a cluster is lost on the way.

    Notes
    -----
    Runs are done in processes that are started afresh, which import the script that calls this:
    in a script, call it under ``if __name__ == "__main__":``. In notebooks nothing is needed.

    Examples
    --------
    >>> comparison = compare(  # doctest: +SKIP
    ...     ["horn_C4.flac"], ["two-oscillator", "two-oscillator-pitch-envelope"], seconds=20
    ... )
    >>> print(comparison.verdict)  # doctest: +SKIP
    """
    workers = Workers(n_processes, cluster)
    plan = make_plan(
        targets,
        structures,
        seeds=seeds,
        seconds=seconds,
        evals=evals,
        thresholds=thresholds,
        sampler=sampler,
        weights=weights,
    )
    check_targets(plan.targets)
    return _carry_out(plan, workers, folder, "compare", progress=progress, stop=stop)


def batch(
    manifest: str | Path,
    structures: Sequence[str | Path | Structure] = (DEFAULT_STRUCTURE,),
    *,
    seeds: int | Sequence[int] = 1,
    seconds: float | None = None,
    evals: int | None = None,
    folder: str | Path | None = None,
    thresholds: Sequence[float] | None = None,
    sampler: str | None = None,
    weights: str | Mapping[str, float] | None = None,
    n_processes: int | None = None,
    cluster: str | None = None,
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
) -> Comparison:
    """Match a whole library of targets.

    The same as `compare` with one manifest, and with one structure and one seed if nothing else
    is said. A target that can't be matched is listed in `Comparison.failed`, and the others go on.

    Parameters
    ----------
    manifest : str or Path
        A manifest: a target for each instrument, and one for each note without an instrument.
    structures, seeds, seconds, evals, folder, thresholds, sampler, weights
        As for `compare`; the folder is ``runs/batch-NAME-N`` if left out.
    n_processes, cluster, progress, stop
        As for `compare`.

    Returns
    -------
    Comparison
        Finished runs; the best run of each target is a whole run folder, see `run_folder`.

    Raises
    ------
    EarwrightError
        As for `compare`.
    """
    workers = Workers(n_processes, cluster)
    plan = make_plan(
        [manifest],
        structures,
        seeds=seeds,
        seconds=seconds,
        evals=evals,
        thresholds=thresholds,
        sampler=sampler,
        weights=weights,
    )
    stem = Path(manifest).stem
    return _carry_out(plan, workers, folder, "batch", stem, progress=progress, stop=stop)


def continue_comparison(
    folder: str | Path,
    *,
    n_processes: int | None = None,
    cluster: str | None = None,
    progress: bool = True,
    stop: Callable[[], bool] | None = None,
) -> Comparison:
    """Do what is missing of a comparison or a batch.

    Parameters
    ----------
    folder : str or Path
        Its folder. Structures are kept in it; recordings have to be where they were.
    n_processes, cluster, progress, stop
        As for `compare`; they need not be what they were.

    Returns
    -------
    Comparison
        All that is finished.

    Raises
    ------
    RunFolderError
        If it is no comparison.
    TargetError
        If a recording is gone or has changed.
    """
    workers = Workers(n_processes, cluster)
    found = ComparisonFolder(Path(folder))
    plan, _ = found.read()
    return do_runs(found, plan, workers, progress=progress, stop=stop or _never)


def _carry_out(
    plan: Plan,
    workers: Workers,
    folder: str | Path | None,
    kind: str,
    stem: str | None = None,
    *,
    progress: bool,
    stop: Callable[[], bool] | None,
) -> Comparison:
    """Find the folder, and do what is missing in it."""
    stop = stop or _never
    if folder is not None and (Path(folder) / COMPARE_FILE).exists():
        found = ComparisonFolder(Path(folder))
        check_extension(found.read()[0], plan, found.path)
        return do_runs(found, plan, workers, progress=progress, stop=stop)
    name = stem or common_name([target.name for target in plan.targets])
    with (
        lock_numbered(Path(DEFAULT_PARENT), f"{kind}-{name}")
        if folder is None
        else lock_named(folder, force=False)
    ) as new:
        return do_runs(ComparisonFolder(new.path), plan, workers, progress=progress, stop=stop)


def _never() -> bool:
    """Never ask to stop."""
    return False
