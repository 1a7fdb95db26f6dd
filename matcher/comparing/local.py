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
    if n_processes == 1:
        while not stop():
            work = next(jobs, None)
            if work is None:
                return
            yield run_job(*work, n_threads=n_threads, stop=stop)
        return
    pool = _Pool(jobs, n_processes, n_threads)
    try:
        while pool.fill(is_stopped=stop()):
            yield from pool.wait()
    finally:
        pool.close()


class _Pool:
    """Jobs that are at work, and the processes that do them."""

    def __init__(self, jobs: Iterator[Work], n_processes: int, n_threads: int) -> None:
        self._jobs = jobs
        self._n_processes = n_processes
        self._n_threads = n_threads
        self._context = multiprocessing.get_context("spawn")
        self._event = self._context.Event()
        self._executor = self._start()
        self._running: dict[Future[JobReport], Work] = {}
        self._again: list[Work] = []
        self._attempts: Counter[str] = Counter()

    def fill(self, *, is_stopped: bool) -> bool:
        """Begin jobs until every process has one; False if nothing is left."""
        if is_stopped:
            # What is at work ends after its next batch, and begins nothing new.
            self._event.set()
            return bool(self._running)
        while len(self._running) < self._n_processes:
            work = self._again.pop() if self._again else next(self._jobs, None)
            if work is None:
                break
            self._attempts[work[0].key] += 1
            future = self._executor.submit(_run_in_process, *work, self._n_threads)
            self._running[future] = work
        return bool(self._running)

    def wait(self) -> Iterator[JobReport]:
        """Wait a moment, and give what has ended."""
        done, _ = wait(self._running, timeout=POLL_S, return_when=FIRST_COMPLETED)
        is_broken = False
        for future in done:
            work = self._running.pop(future)
            try:
                yield future.result()
            except BrokenProcessPool:
                is_broken = True
                yield from self._lost(*work)
        if is_broken:
            for work in self._running.values():
                yield from self._lost(*work)
            self._running.clear()
            self._executor.shutdown(wait=True, cancel_futures=True)
            self._executor = self._start()

    def close(self) -> None:
        """End the processes."""
        self._event.set()
        self._executor.shutdown(wait=True, cancel_futures=True)

    def _start(self) -> ProcessPoolExecutor:
        """Start processes."""
        return ProcessPoolExecutor(
            self._n_processes,
            mp_context=self._context,
            initializer=_begin_process,
            initargs=(self._event,),
        )

    def _lost(self, job: Job, recordings: Recordings) -> Iterator[JobReport]:
        """Keep a job whose process died for another attempt, or give it up."""
        if self._attempts[job.key] < MAX_ATTEMPTS:
            self._again.append((job, recordings))
            return
        yield JobReport(
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
