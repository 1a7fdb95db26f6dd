"""Doing the runs of a comparison, here or on a cluster, and keeping each as it ends."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matcher.comparing.cluster import check_cluster, run_on_cluster
from matcher.comparing.figures_file import write_figures
from matcher.comparing.local import run_locally
from matcher.comparing.outcome import FailedRun
from matcher.comparing.progress import RunsProgress
from matcher.comparing.threads import share_cores
from matcher.interrupts import hold_interrupts
from matcher.runs.run_lock import lock_run
from shared import EarwrightError, ParameterError, TargetError, usable_cores
from shared.files import remove_abandoned_folders

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from matcher.comparing.comparison import Comparison
    from matcher.comparing.folder import ComparisonFolder, Plan
    from matcher.comparing.jobs import Job, JobReport, Recordings

__all__ = ["Place", "do_runs"]


class Place:
    """Where runs are done: processes of this machine, or a cluster.

    Parameters
    ----------
    n_processes : int >= 1, optional
        Runs at a time on this machine; as many as it has cores if left out.
    cluster : str, optional
        Address of a Dask scheduler instead.

    Raises
    ------
    ParameterError
        If a value is outside its range, both are given, or Dask isn't installed.
    """

    def __init__(self, n_processes: int | None, cluster: str | None) -> None:
        n_cores = usable_cores()
        if n_processes is not None and cluster is not None:
            raise ParameterError(
                f"n_processes is {n_processes} and cluster is {cluster}; one of them is accepted, "
                "as the workers of a cluster are counted there. Leave one out.",
                name="n_processes",
                value=n_processes,
            )
        if n_processes is not None and not 1 <= n_processes <= n_cores:
            raise ParameterError(
                f"n_processes is {n_processes}; 1 to {n_cores} (the cores of this machine) is "
                "accepted, as more at a time take longer.",
                name="n_processes",
                value=n_processes,
            )
        if cluster is not None:
            check_cluster(cluster)
        self.cluster = cluster
        self.n_processes = n_processes
        self.n_cores = n_cores

    def share(self, n_in_all: int) -> tuple[int, int]:
        """Share the cores of this machine out.

        Parameters
        ----------
        n_in_all : int >= 1
            Runs of the whole plan.

        Returns
        -------
        n_processes, n_threads : int >= 1
            Runs at a time, and threads of each.
        """
        return share_cores(min(n_in_all, self.n_processes or self.n_cores), self.n_cores)

    def run(
        self,
        jobs: Iterator[tuple[Job, Recordings]],
        n_in_all: int,
        *,
        stop: Callable[[], bool],
        say: Callable[[str], None],
    ) -> Iterator[JobReport]:
        """Do jobs.

        Parameters
        ----------
        jobs : iterator of (Job, mapping of str to bytes)
            What is left to do, with the recordings.
        n_in_all : int >= 1
            Runs of the whole plan. Threads are shared out by it, so that runs that are left to
            the end, or done later, get what the others got.
        stop, say : callable
            As for `run_on_cluster`.

        Yields
        ------
        JobReport
            As they end.
        """
        if self.cluster is not None:
            yield from run_on_cluster(jobs, address=self.cluster, stop=stop, say=say)
            return
        n_processes, n_threads = self.share(n_in_all)
        yield from run_locally(jobs, n_processes=n_processes, n_threads=n_threads, stop=stop)


def do_runs(
    folder: ComparisonFolder,
    plan: Plan,
    place: Place,
    *,
    progress: bool,
    stop: Callable[[], bool],
) -> Comparison:
    """Do what is missing of a plan, and write what all of it shows.

    Parameters
    ----------
    folder : ComparisonFolder
        Where finished runs are, and new ones go.
    plan : Plan
        What is to be done.
    place : Place
        Where to do it.
    progress : bool
        Whether to show how far it is.
    stop : callable
        Asked often; work ends when it returns True, and what is finished is kept.

    Returns
    -------
    Comparison
        All that is finished.

    Raises
    ------
    RunFolderError
        If another process is at work in the folder, or it can't be written.
    EarwrightError
        If a cluster is lost.
    """
    with lock_run(folder.path):
        remove_abandoned_folders()
        folder.write_plan(plan)
        folder.recover()
        try:
            failed = _work_off(folder, plan, place, progress=progress, stop=stop)
        except EarwrightError:
            # A cluster that was lost: what was finished until then is worth telling.
            write_figures(folder, plan, folder.comparison(plan, ()))
            raise
        with hold_interrupts():
            comparison = folder.comparison(plan, failed)
            write_figures(folder, plan, comparison)
        return comparison


def _work_off(
    folder: ComparisonFolder,
    plan: Plan,
    place: Place,
    *,
    progress: bool,
    stop: Callable[[], bool],
) -> tuple[FailedRun, ...]:
    """Do the missing runs; return those that can't be done."""
    jobs = list(plan.jobs())
    finished = folder.finished(plan)
    left = {job.key: job for job in jobs if job.key not in finished}
    # A recording that can't be used is of no use to other seeds and structures either.
    hopeless: dict[str, str] = {}
    n_places = 1 if place.cluster else place.share(len(jobs))[0]
    bar = RunsProgress(len(jobs), len(finished), plan.budget.seconds, n_places, show=progress)

    def is_stopped() -> bool:
        bar.tick()
        return stop()

    def todo() -> Iterator[tuple[Job, Recordings]]:
        for job in left.values():
            if job.target.name not in hopeless:
                try:
                    recordings = job.target.read()
                except TargetError as error:
                    hopeless[job.target.name] = str(error)
                else:
                    yield job, recordings

    with bar:
        for report in place.run(todo(), len(jobs), stop=is_stopped, say=bar.say):
            job = left[report.key]
            if report.outcome is not None:
                with hold_interrupts():
                    folder.add(job, report.outcome, report.files)
                bar.advance()
            elif report.failure is not None:
                hopeless[job.target.name] = report.failure
    return tuple(
        FailedRun(job.target.name, job.structure.name, job.seed, hopeless[job.target.name])
        for job in left.values()
        if job.target.name in hopeless and not folder.job_file(job).is_file()
    )
