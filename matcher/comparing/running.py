"""Doing the runs of a comparison, here or on a cluster, and keeping each as it ends."""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING

from matcher.comparing.cluster import check_cluster, run_on_cluster
from matcher.comparing.local import run_locally
from matcher.comparing.outcome import FailedRun
from matcher.comparing.tables import write_figures
from matcher.interrupts import hold_interrupts
from matcher.progress import Progress
from matcher.runs.lock import lock_run
from shared import EarwrightError, ParameterError, TargetError, usable_cores
from shared.files import remove_abandoned_folders

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from matcher.comparing.comparison import Comparison
    from matcher.comparing.folder import ComparisonFolder
    from matcher.comparing.jobs import JobReport
    from matcher.comparing.planning import Job, Plan
    from matcher.comparing.sources import Recordings

__all__ = ["RunsProgress", "Workers", "do_runs", "duration_words", "seconds_left", "share_cores"]

REFRESH_S = 0.5
# What a run takes beside its budget: 3 to 5 s, measured with eight targets on two workers.
BESIDE_S = 4.0


class Workers:
    """Who does the runs: processes of this machine, or the workers of a Dask scheduler."""

    def __init__(self, n_processes: int | None, cluster: str | None) -> None:
        n_cores = usable_cores()
        if n_processes is not None and cluster is not None:
            raise ParameterError(
                f"n_processes is {n_processes} and cluster is {cluster}; it must be one of the "
                "two, as the workers of a cluster are counted there. Leave one out.",
                name="n_processes",
            )
        if n_processes is not None and not 1 <= n_processes <= n_cores:
            raise ParameterError(
                f"n_processes is {n_processes}; it must be 1 to {n_cores} (the cores of this "
                "machine), as more at a time take longer.",
                name="n_processes",
            )
        if cluster is not None:
            check_cluster(cluster)
        self.cluster = cluster
        self._n_processes = n_processes
        self._n_cores = n_cores

    def share(self, n_in_all: int) -> tuple[int, int]:
        """Share the cores of this machine out: runs at a time, and threads of each.

        By the runs of the whole plan, so that those that are left to the end, or done later, get
        what the others got.
        """
        return share_cores(min(n_in_all, self._n_processes or self._n_cores), self._n_cores)

    def run(
        self,
        jobs: Iterator[tuple[Job, Recordings]],
        n_in_all: int,
        *,
        stop: Callable[[], bool],
        say: Callable[[str], None],
    ) -> Iterator[JobReport]:
        """Do what is left of the jobs of a plan, and report them as they end."""
        if self.cluster is not None:
            return run_on_cluster(jobs, address=self.cluster, stop=stop, say=say)
        n_processes, n_threads = self.share(n_in_all)
        return run_locally(jobs, n_processes=n_processes, n_threads=n_threads, stop=stop)


def share_cores(n_jobs: int, n_cores: int) -> tuple[int, int]:
    """Share cores out: jobs at a time, and threads of each.

    Examples
    --------
    >>> share_cores(45, 8), share_cores(2, 8), share_cores(3, 8)
    ((8, 1), (2, 4), (3, 2))
    """
    n_processes = max(1, min(n_jobs, n_cores))
    return n_processes, max(1, n_cores // n_processes)


def do_runs(
    folder: ComparisonFolder,
    plan: Plan,
    workers: Workers,
    *,
    progress: bool,
    stop: Callable[[], bool],
) -> Comparison:
    """Do what is missing of a plan, and write what all of it shows.

    `stop` is asked often; work ends when it returns True, and what is finished is kept.
    """
    with lock_run(folder.path):
        remove_abandoned_folders()
        folder.write(plan)
        folder.recover()
        try:
            failed = _work_off(folder, plan, workers, progress=progress, stop=stop)
        except EarwrightError:
            # A cluster that was lost: what was finished until then has figures as well.
            write_figures(folder, plan, folder.comparison(plan, ()))
            raise
        with hold_interrupts():
            comparison = folder.comparison(plan, failed)
            write_figures(folder, plan, comparison)
        return comparison


def _work_off(
    folder: ComparisonFolder,
    plan: Plan,
    workers: Workers,
    *,
    progress: bool,
    stop: Callable[[], bool],
) -> tuple[FailedRun, ...]:
    """Do the missing runs; return those that can't be done."""
    jobs = list(plan.jobs())
    finished = folder.finished(plan)
    left = {job.key: job for job in jobs if job.key not in finished}
    # A recording that can't be used is of no use to other seeds and structures either.
    unusable: dict[str, str] = {}
    n_at_a_time = 1 if workers.cluster else workers.share(len(jobs))[0]
    seconds = plan.settings.seconds
    bar = RunsProgress(len(jobs), len(finished), seconds, n_at_a_time, show=progress)

    def is_stopped() -> bool:
        bar.tick()
        return stop()

    def todo() -> Iterator[tuple[Job, Recordings]]:
        for job in left.values():
            if job.target.name not in unusable:
                try:
                    recordings = job.target.read()
                except TargetError as error:
                    unusable[job.target.name] = str(error)
                else:
                    yield job, recordings

    with bar:
        for report in workers.run(todo(), len(jobs), stop=is_stopped, say=bar.say):
            job = left[report.key]
            if report.outcome is not None:
                with hold_interrupts():
                    folder.add(job, report.outcome, report.files)
                bar.advance()
            elif report.failure is not None:
                unusable[job.target.name] = report.failure
    return tuple(
        FailedRun(job.target.name, job.structure.name, job.seed, unusable[job.target.name])
        for job in left.values()
        if job.target.name in unusable and not folder.job_file(job).is_file()
    )


class RunsProgress(Progress):
    """A bar over the runs, with the time left.

    `run_s` is the budget of each run if it is in seconds, for a first guess of the time left.
    """

    def __init__(
        self, n_runs: int, n_finished: int, run_s: float | None, n_at_a_time: int, *, show: bool
    ) -> None:
        super().__init__("comparing", n_runs, show=show, n_done=n_finished)
        self._n_before = self._n_finished = n_finished
        self._run_s = run_s
        self._n_at_a_time = n_at_a_time
        self._started = time.monotonic()
        self._shown = 0.0

    def tick(self) -> None:
        """Bring the time left up to date; called often."""
        if time.monotonic() - self._shown >= REFRESH_S:
            self._refresh()

    def advance(self) -> None:
        """Count one more finished run."""
        self._n_finished += 1
        self._refresh()

    def _refresh(self) -> None:
        """Show how far it is."""
        self._shown = time.monotonic()
        left = seconds_left(
            round(self.total) - self._n_finished,
            self._n_finished - self._n_before,
            self._shown - self._started,
            run_s=self._run_s,
            n_at_a_time=self._n_at_a_time,
        )
        words = "" if left is None else f", {duration_words(left)} left"
        self.show(self._n_finished, f"{self._n_finished} of {self.total} runs{words}")


def duration_words(seconds: float) -> str:
    """Say a length of time as one says it.

    Examples
    --------
    >>> duration_words(40), duration_words(200), duration_words(7500)
    ('40 s', '3 min', '2 h 05 min')
    """
    if seconds < 99.5:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 100 else f"{minutes // 60} h {minutes % 60:02d} min"


def seconds_left(
    n_left: int, n_done: int, elapsed_s: float, *, run_s: float | None, n_at_a_time: int
) -> float | None:
    """Estimate how long the rest takes; None where nothing is known.

    By what they took, once as many are done as there are at a time; before that by the budget.
    """
    if n_done >= n_at_a_time:
        return elapsed_s / n_done * n_left
    if run_s is None:
        return None
    guess_s = (run_s + BESIDE_S) * math.ceil((n_left + n_done) / n_at_a_time) - elapsed_s
    # A guess that has run out is worth nothing.
    return guess_s if guess_s > 0.0 else None
