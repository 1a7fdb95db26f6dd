"""How many processes and threads this machine carries, and how libraries are held to theirs.

A search is arithmetic from end to end: more threads than cores make it slower. Three libraries
bring threads of their own: numba, the linear algebra under numpy and scipy (BLAS), and scipy's
FFT. In a job each of them gets one; the threads that render and score are counted by us.
"""

from __future__ import annotations

import contextlib
import platform
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["one_thread_each", "processor_name", "share_cores"]


def share_cores(n_jobs: int, n_cores: int) -> tuple[int, int]:
    """Share cores out between jobs.

    Parameters
    ----------
    n_jobs : int >= 1
        Jobs in all.
    n_cores : int >= 1
        Cores.

    Returns
    -------
    n_processes, n_threads : int >= 1
        Jobs at a time, and threads of each; their product is at most the number of cores.

    Examples
    --------
    >>> share_cores(45, 8), share_cores(2, 8), share_cores(3, 8)
    ((8, 1), (2, 4), (3, 2))
    """
    n_processes = max(1, min(n_jobs, n_cores))
    return n_processes, max(1, n_cores // n_processes)


@contextlib.contextmanager
def one_thread_each() -> Iterator[None]:
    """Hold numba, BLAS and FFT to one thread each.

    Yields
    ------
    None
        Within the block, and only in the calling thread where the library allows that.
    """
    import numba  # noqa: PLC0415  heavy
    import scipy.fft  # noqa: PLC0415  heavy
    from threadpoolctl import threadpool_limits  # noqa: PLC0415  loads libraries

    before = numba.get_num_threads()
    with threadpool_limits(limits=1), scipy.fft.set_workers(1):
        numba.set_num_threads(1)
        try:
            yield
        finally:
            numba.set_num_threads(before)


def processor_name() -> str:
    """Name the kind of processor.

    Returns
    -------
    str
        As the system calls it.
    """
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="utf-8")
    except OSError:
        text = ""
    for line in text.splitlines():
        if line.startswith("model name"):
            return line.partition(":")[2].strip()
    return platform.processor() or platform.machine() or "unknown"
