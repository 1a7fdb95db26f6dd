"""Every long command, interrupted at random moments in every way, and then the next command.

Run from the repository's root (Linux)::

    python -m tests.benchmarks.interruption                     # one round, six minutes
    python -m tests.benchmarks.interruption --rounds 5 --seed 3 --only compare

The page is served while one of its jobs works; the server or the process of the job is interrupted
instead, and the page is opened again.

A command is started as a process of its own and, after a random share of the time that it takes
when it is left alone, killed (kill -9), asked to end (SIGTERM), interrupted twice within a tenth
of a second as from a terminal (the whole group of processes), or stopped and continued. Then the
next command runs: the one that goes on, or the same again. It has to end with status 0; nothing
may have shown a traceback, every document has to be whole, every version of the patch that was
there before has to be there unchanged, no process may live on, and no temporary file may be left,
neither in the folder nor in the place for temporary files.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tests.benchmarks.interruption.commands import COMMANDS, interrupt, prepare
from tests.benchmarks.interruption.page import JOBS, interrupt_page
from tests.benchmarks.interruption.processes import WAYS, Finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

__all__ = ["main"]

# Before that, Python itself starts: what it says when it is interrupted isn't ours.
START_S = 0.3


def main(argv: Sequence[str] | None = None) -> int:
    """Print a table; status 1 if anything was wrong."""
    names = [*(command.name for command in COMMANDS), "page"]
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=names, action="append")
    options = parser.parse_args(argv)
    rng = np.random.default_rng(options.seed)
    n_faults = n_all = 0
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        times = prepare(folder, options.only or names)
        print(f"{'command':16}{'way':14}{'after':>8}{'status':>8}{'next':>6}  faults")
        for _ in range(options.rounds):
            for found in _round(rng, options.only or names, times, folder):
                print(
                    f"{found.command:16}{found.way:14}{found.after_s:6.1f} s{found.status:8}"
                    f"{found.next_status:6}  {'; '.join(found.faults) or '-'}",
                    flush=True,
                )
                n_all += 1
                n_faults += len(found.faults)
    print(f"{n_all} interruptions, {n_faults} faults")
    return 1 if n_faults else 0


def _round(
    rng: np.random.Generator, names: Sequence[str], times: dict[str, float], folder: Path
) -> Iterator[Finding]:
    """Interrupt each command in each way, and the page and its jobs in turn."""
    for command in COMMANDS:
        for way in WAYS:
            share = float(rng.uniform(0.0, 1.0))
            if command.name in names:
                after_s = START_S + share * max(0.0, times[command.name] - START_S)
                yield interrupt(command, way, after_s, folder)
    for i, (kind, way) in enumerate(itertools.product(JOBS, WAYS)):
        share = float(rng.uniform(0.0, 1.0))
        # Each job in two ways, each way for the page and for a job.
        if "page" in names and i % 2 == JOBS.index(kind) % 2:
            who = "page" if rng.random() < 0.4 and way != "suspend" else "job"
            yield interrupt_page(kind, way, who, share, folder)


if __name__ == "__main__":
    sys.exit(main())
