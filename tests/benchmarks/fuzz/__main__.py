"""Spoilt and made-up input for every reader: one clear line, or a result, and nothing else.

Run from the repository's root (Linux)::

    python -m tests.benchmarks.fuzz                   # 2,000 of each kind, 400 of later ones
    python -m tests.benchmarks.fuzz --only patches --cases 200 --seed 7

Recordings, patches, structures with and without panels, manifests and run folders are good files
with changed bytes, lines or fields; a third of the recordings is made from nothing. Comparisons,
versions, searches under way, hostile names, requests to the page and its folder are spoilt alike.
Each call may take 10 s of processor time and 1 GB of memory.
What ends otherwise than in a result, or in one of our errors that names the file, is a failure;
Python warnings are, too. A run folder has one of its files spoilt, and is then given to a command,
which has to end with status 0, or with 2 and one line.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from tests.benchmarks.fuzz.every import EVERY
from tests.benchmarks.fuzz.guard import Tally, limit_memory, try_call
from tests.benchmarks.fuzz.subjects import SUBJECTS, Case, run_subject

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["fuzz", "main"]

FEWER = 5


def fuzz(name: str, *, n_cases: int, seed: int = 1, keep: Path | None = None) -> Tally:
    """Try cases of one kind."""
    tally = Tally()

    def judge(case: Case, place: str) -> None:
        example = f"{name} {place} (seed {seed}): {case.label}"
        try_call(case.call, tally, example, names=case.names)

    with tempfile.TemporaryDirectory() as folder:
        # Compiled, imported and loaded before memory is limited.
        run_subject(EVERY[name], 6, seed + 1, Path(folder), lambda case, _: _warm(case))
        with limit_memory():
            run_subject(EVERY[name], n_cases, seed, keep or Path(folder), judge)
    return tally


def _warm(case: Case) -> None:
    """Call once, whatever comes of it: it is judged later."""
    try_call(case.call, Tally(), "", names="")


def main(argv: Sequence[str] | None = None) -> int:
    """Print a table, then each kind of failure with its first case."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--only", choices=sorted(EVERY), action="append")
    parser.add_argument("--cases", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args(argv)
    print(f"{'input':14}{'cases':>7}{'read':>7}{'refused':>9}{'failed':>8}{'longest':>9}")
    n_failed = 0
    for name in options.only or EVERY:
        # What runs whole commands costs more for each case, and gets fewer.
        n_tried = options.cases if name in SUBJECTS else max(1, options.cases // FEWER)
        tally = fuzz(name, n_cases=n_tried, seed=options.seed, keep=options.keep)
        failed = tally.failures.total()
        n_cases = tally.read + tally.refused + failed
        counts = f"{n_cases:7}{tally.read:7}{tally.refused:9}{failed:8}"
        print(f"{name:14}{counts}{tally.longest_s:8.2f}s", flush=True)
        for what, count in tally.failures.most_common():
            print(f"  {count} x {what}\n      first: {tally.examples[what]}", flush=True)
        n_failed += failed
    # Kilobytes on Linux.
    print(f"most memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1000} MB")
    return 1 if n_failed else 0


if __name__ == "__main__":
    sys.exit(main())
