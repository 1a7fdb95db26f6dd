"""The same runs on an existing Dask cluster (optional: ``pip install earwright[cluster]``).

Each run travels with its recordings, so workers need no common disk; they need earwright. A
worker that is lost takes nothing with it: the scheduler gives its runs to others. A run that was
begun on a worker when we stop ends there on its own, at the latest after its budget.
"""

from __future__ import annotations

import contextlib
import logging
import re
from concurrent.futures import CancelledError
from importlib import import_module
from typing import TYPE_CHECKING, Any

from matcher.comparing.jobs import JobReport, run_job
from shared import EarwrightError, ParameterError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from matcher.comparing.planning import Job
    from matcher.comparing.sources import Recordings

__all__ = ["check_cluster", "run_on_cluster"]

POLL_S = 0.5
CONNECT_S = 10.0
# So many runs for each place are with the scheduler: none waits, and few recordings travel early.
N_AHEAD = 2
# What Dask raises where a scheduler is gone; TimeoutError is an OSError.
LOST_ERRORS = (OSError, CancelledError, RuntimeError)
_ADDRESS = re.compile(r"(tcp|tls)://[^\s/]+:\d{1,5}")


def check_cluster(address: str) -> None:
    """Refuse an address at which no scheduler answers, or any if Dask isn't installed."""
    if not _ADDRESS.fullmatch(address):
        raise ParameterError(
            f'cluster is "{address}"; it must be the address of a Dask scheduler, such as '
            "tcp://HOST:8786.",
            name="cluster",
        )
    try:
        _dask()
    except ImportError as error:
        raise ParameterError(
            f"cluster is {address}, and Dask is not installed. Install it with "
            "pip install 'earwright[cluster]', here and on every worker.",
            name="cluster",
        ) from error
    _connect(address).close()


def run_on_cluster(
    jobs: Iterator[tuple[Job, Recordings]],
    *,
    address: str,
    stop: Callable[[], bool],
    say: Callable[[str], None],
) -> Iterator[JobReport]:
    """Do jobs on the workers of a Dask scheduler, and report them in the order in which they end.

    Jobs are taken one by one when there is room. Once `stop`, which is asked often, returns True,
    no more is waited for; `say` gets in a line what a user should know.
    """
    running: dict[Any, Job] = {}
    with _connect(address) as client:
        try:
            n_places = -1
            while not stop():
                n_before, n_places = n_places, _count_places(client, address)
                _say_places(n_before, n_places, address, say)
                while len(running) < N_AHEAD * max(1, n_places):
                    work = next(jobs, None)
                    if work is None:
                        break
                    running[_submit(client, *work)] = work[0]
                if not running:
                    return
                for future in _ended(client, running, address):
                    yield _report(running.pop(future), future, address)
        finally:
            # A connection that is lost has nothing to cancel.
            with contextlib.suppress(*LOST_ERRORS):
                client.cancel(list(running))


def _connect(address: str) -> Any:  # noqa: ANN401  Dask is partly untyped
    """Connect to a scheduler."""
    # Dask tells of every connection that ends; what matters is raised, and said by us.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        return _dask().Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise ParameterError(
            f"cluster is {address}, and no Dask scheduler answers there. Start one with "
            "`dask scheduler`, or check the address.",
            name="cluster",
        ) from error


def _dask() -> Any:  # noqa: ANN401  Dask is partly untyped
    """Load Dask, which is optional and heavy."""
    return import_module("distributed")


def _submit(client: Any, job: Job, recordings: Recordings) -> Any:  # noqa: ANN401  as above
    """Send a job.

    Its key is not only that of the run: a scheduler may know it from a run that was cancelled, and
    would hand out that.
    """
    key = f"earwright-{job.key[:16]}-{client.id}"
    return client.submit(run_job, job, recordings, key=key, pure=False)


def _ended(client: Any, running: Iterable[Any], address: str) -> list[Any]:  # noqa: ANN401
    """Return the futures that have ended; none after a moment."""
    with _lost_scheduler(address), client.as_current():
        try:
            found = _dask().wait(list(running), timeout=POLL_S, return_when="FIRST_COMPLETED")
        except TimeoutError:
            return []
        return list(found.done)


def _report(job: Job, future: Any, address: str) -> JobReport:  # noqa: ANN401  as above
    """Take a result, or say what went wrong."""
    if future.status == "finished":
        with _lost_scheduler(address):
            report: JobReport = future.result()
        return report
    with _lost_scheduler(address):
        if future.status != "error":
            raise CancelledError
    error = future.exception()
    if isinstance(error, _dask().KilledWorker):
        return JobReport(
            job.key,
            failure="every worker that matched it was lost before it was done, perhaps for want "
            "of memory.",
        )
    raise EarwrightError(
        f"A worker of the Dask cluster at {address} can't do the runs: "
        f"{type(error).__name__}: {error}. The same earwright is needed there as here."
    ) from error


def _count_places(client: Any, address: str) -> int:  # noqa: ANN401  as above
    """Count the runs that the workers can do at a time."""
    with _lost_scheduler(address):
        return int(sum(client.nthreads().values()))


def _say_places(n_before: int, n_places: int, address: str, say: Callable[[str], None]) -> None:
    """Say that there are no workers yet, and when they come."""
    if n_places == 0 != n_before:
        say(f"waiting for workers: the scheduler at {address} has none yet.")
    elif n_before == 0 != n_places:
        say(f"the scheduler has {n_places} place{'s' if n_places > 1 else ''} for runs.")


@contextlib.contextmanager
def _lost_scheduler(address: str) -> Iterator[None]:
    """Say in a line that the scheduler is gone, and what that means."""
    try:
        yield
    except LOST_ERRORS as error:
        raise EarwrightError(
            f"The Dask scheduler at {address} was lost. Finished runs are kept; give the same "
            "command again when it is back, or go on here without --cluster."
        ) from error
