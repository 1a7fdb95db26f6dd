"""Runs in processes of this machine.

Each process is started afresh ("spawn"): numba and BLAS have threads, and a process that is
forked from one with threads can hang. A process that dies (out of memory, killed) takes no run
with it: its run is begun again in a new one.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import Counter
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import connection
from typing import TYPE_CHECKING

from matcher.comparing.jobs import JobReport, run_job

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from concurrent.futures import Future
    from multiprocessing.synchronize import Event

    from matcher.comparing.planning import Job
    from matcher.comparing.sources import Recordings

    Work = tuple[Job, Recordings]

__all__ = ["run_locally"]

# Often enough that Ctrl-C seems to be heard at once.
POLL_S = 0.2
MAX_ATTEMPTS = 3

# Set in each process when it begins.
_stop: Event | None = None


def run_locally(
    jobs: Iterator[Work],
    *,
    n_processes: int,
    n_threads: int,
    stop: Callable[[], bool],
) -> Iterator[JobReport]:
    """Do jobs on this machine, and report them in the order in which they end.

    Jobs are taken one by one when there is room; with one process, they are done in this one.
    Once `stop`, which is asked often, returns True, jobs at work end without a result.
    """
    if n_processes > 1:
        yield from _run_in_processes(jobs, n_processes, n_threads, stop)
        return
    while not stop():
        work = next(jobs, None)
        if work is None:
            return
        yield run_job(*work, n_threads=n_threads, stop=stop)


def _run_in_processes(
    jobs: Iterator[Work], n_processes: int, n_threads: int, stop: Callable[[], bool]
) -> Iterator[JobReport]:
    """Do jobs in processes of their own; one whose process dies is begun again."""
    context = multiprocessing.get_context("spawn")
    stopped = context.Event()
    running: dict[Future[JobReport], Work] = {}
    again: list[Work] = []
    attempts: Counter[str] = Counter()

    def start() -> ProcessPoolExecutor:
        return ProcessPoolExecutor(
            n_processes, mp_context=context, initializer=_begin_process, initargs=(stopped,)
        )

    executor = start()
    try:
        while True:
            if stop():
                # What is at work ends after its next batch, and begins nothing new.
                stopped.set()
            while not stopped.is_set() and len(running) < n_processes:
                work = again.pop() if again else next(jobs, None)
                if work is None:
                    break
                attempts[work[0].key] += 1
                running[executor.submit(_run_in_process, *work, n_threads)] = work
            if not running:
                return
            done, _ = wait(running, timeout=POLL_S, return_when=FIRST_COMPLETED)
            lost = []
            for future in done:
                work = running.pop(future)
                try:
                    yield future.result()
                except BrokenProcessPool:
                    lost.append(work)
            if lost:
                # One process that dies takes the pool with it, and the jobs of the others.
                lost += running.values()
                running.clear()
                executor.shutdown(wait=True, cancel_futures=True)
                again += [work for work in lost if attempts[work[0].key] < MAX_ATTEMPTS]
                yield from (_given_up(job) for job, _ in lost if attempts[job.key] >= MAX_ATTEMPTS)
                executor = start()
    finally:
        stopped.set()
        executor.shutdown(wait=True, cancel_futures=True)


def _given_up(job: Job) -> JobReport:
    """Say why a job is not begun again."""
    return JobReport(
        job.key,
        failure=f"the process that matched it ended {MAX_ATTEMPTS} times before it was done, "
        "perhaps for want of memory. Use fewer processes at a time.",
    )


def _begin_process(event: Event) -> None:
    """Prepare a process: signals are the parent's business, and it ends with its parent."""
    global _stop  # noqa: PLW0603  one process, one parent
    _stop = event
    # Ctrl-C in a terminal reaches every process of the command; the parent hears it for all.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """Leave when the parent is gone, even if it was killed."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


def _run_in_process(job: Job, recordings: Recordings, n_threads: int) -> JobReport:
    """Do a job in a process of its own."""
    return run_job(
        job, recordings, n_threads=n_threads, stop=None if _stop is None else _stop.is_set
    )
