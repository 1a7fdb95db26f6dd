"""How long a report takes to write, and how large it is.

Figures to hold: under 5 s and under 5 MB for a single match. Run from the repository's root::

    python -m tests.benchmarks.bench_report

Each match is one of demo targets, with a few candidates; its report is then written by the command
line in a process of its own, so that everything that has to be loaded counts. Processor time is
that of the process; on a busy machine it says more than the clock.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
import warnings
from dataclasses import dataclass
from pathlib import Path

from matcher import load_target, match, save_run

__all__ = ["CASES", "Figures", "main", "measure"]

ROOT = Path(__file__).resolve().parents[2]
TARGETS = ROOT / "targets"
# The shortest single note, a long one, and three notes with one patch.
CASES = {
    "one short note": ("horn_stab_C4_v100.flac",),
    "one long note": ("string_pad_C4_v80.flac",),
    "three long notes": (
        "string_pad_C3_v80.flac",
        "string_pad_C4_v80.flac",
        "string_pad_C5_v80.flac",
    ),
}


@dataclass(frozen=True)
class Figures:
    """What a report took."""

    sound_s: float
    elapsed_s: float
    processor_s: float
    size_mb: float


def measure(names: tuple[str, ...], *, evals: int) -> Figures:
    """Match some demo targets together, and write the report."""
    with tempfile.TemporaryDirectory() as temporary:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            target = load_target(*(TARGETS / name for name in names))
        result = match(target, evals=evals, seed=0, progress=False)
        run = save_run(result, Path(temporary) / "run")
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        start = time.perf_counter()
        subprocess.run(  # noqa: S603  our own command
            [sys.executable, "-m", "matcher", "report", str(run.path)],
            cwd=temporary,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            check=True,
        )
        elapsed_s = time.perf_counter() - start
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        size = (run.path / "report.html").stat().st_size
    return Figures(
        sound_s=2.0 * sum(note.signal.size / note.sample_rate_hz for note in target.notes),
        elapsed_s=elapsed_s,
        processor_s=after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime,
        size_mb=size / 1e6,
    )


def main(argv: list[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--evals", type=int, default=200, metavar="N", help="of each match")
    arguments = parser.parse_args(argv)
    print(f"{'match':18}{'sounds':>10}{'clock':>10}{'processor':>12}{'size':>10}")
    for title, names in CASES.items():
        figures = measure(names, evals=arguments.evals)
        print(
            f"{title:18}{figures.sound_s:>8.1f} s{figures.elapsed_s:>8.1f} s"
            f"{figures.processor_s:>10.1f} s{figures.size_mb:>7.2f} MB"
        )


if __name__ == "__main__":
    main()
