"""How a library of targets scales over workers: a small run, measured, and what follows from it.

Run ``python -m tests.benchmarks.bench_batch`` on a machine with nothing else to do. A Dask
scheduler and workers on loopback match the demo notes, each on its own, first with one worker and
then with more. What a run takes beside its budget, what this end has to do for each, and how much
it writes are measured; the last lines say what follows for a library on several machines.
"""

from __future__ import annotations

import argparse
import math
import tempfile
import time
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING

import psutil
from distributed import Client

from matcher.comparing import batch, run_folder
from matcher.comparing.folder import ComparisonFolder
from matcher.comparing.running import duration_words
from tests.matcher.comparing.dask_cluster import Cluster

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.comparing import Comparison

TARGETS = Path(__file__).resolve().parents[2] / "targets"


def write_manifest(folder: Path, n_targets: int) -> Path:
    """List the first demo notes without instruments, so that each is a target."""
    document = tomllib.loads((TARGETS / "manifest.toml").read_text(encoding="utf-8"))
    files = [entry["file"] for entry in document["target"]][:n_targets]
    manifest = folder / "library.toml"
    manifest.write_text("".join(f'[[target]]\nfile = "{TARGETS / file}"\n' for file in files))
    return manifest


def run_with(
    n_workers: int, manifest: Path, out: Path, seconds: float
) -> tuple[Comparison, float, float]:
    """Match the library; return the result, the wall time in s, a worker's memory in MB."""
    cluster = Cluster(out.parent)
    try:
        cluster.start(*(f"worker-{number}" for number in range(n_workers)))
        with Client(cluster.address, set_as_default=False) as client:
            client.wait_for_workers(n_workers)
            # Not counted: each worker loads the packages, and compiles where nobody has.
            client.run(_warm_up)
        began = time.monotonic()
        result = batch(
            manifest, seconds=seconds, folder=out, cluster=cluster.address, progress=False
        )
        wall_s = time.monotonic() - began
        memory = [
            psutil.Process(process.pid).memory_info().rss
            for name, process in cluster.processes.items()
            if name != "scheduler"
        ]
        return result, wall_s, max(memory) / 1e6
    finally:
        cluster.close()


def _warm_up() -> None:
    """Load what a run needs."""
    import matcher  # noqa: PLC0415  on the worker

    target = matcher.load_target(TARGETS / "horn_stab_C4_v100.flac")
    matcher.match(target, evals=64, n_threads=1, progress=False)


def keeping_s(result: Comparison, n_times: int = 5) -> float:
    """Measure what it takes to keep a finished run with its files, in seconds."""
    run = result.runs[0]
    source = run_folder(result.folder, run.target, run.structure)
    files = {
        path.relative_to(source).as_posix(): path.read_bytes()
        for path in source.rglob("*")
        if path.is_file()
    }
    plan, _ = ComparisonFolder(result.folder).read()
    job = next(plan.jobs())
    began = time.monotonic()
    for _ in range(n_times):
        with tempfile.TemporaryDirectory() as empty:
            place = ComparisonFolder(Path(empty))
            (place.path / "jobs").mkdir()
            (place.path / "runs").mkdir()
            place.add(job, run, files)
    return (time.monotonic() - began) / n_times


def megabytes(folder: Path) -> float:
    """Measure a folder, in megabytes."""
    return sum(p.stat().st_size for p in folder.rglob("*") if p.is_file()) / 1e6


def projected_s(
    n_runs: int, n_places: int, *, run_s: float, beside_s: float, kept_s: float
) -> float:
    """Estimate the time for a library, in seconds: the slower of the workers and of this end."""
    rounds = math.ceil(n_runs / n_places)
    return max(rounds * (run_s + beside_s), n_runs * kept_s)


def main(argv: Sequence[str] | None = None) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--targets", type=int, default=8, help="demo notes, up to 10")
    parser.add_argument("--seconds", type=float, default=10.0, help="budget of each run")
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--library", type=int, default=500, help="targets to project to")
    parser.add_argument("--machines", type=int, default=10)
    parser.add_argument("--cores", type=int, default=8, help="of each machine")
    parser.add_argument("--library-seeds", type=int, default=3)
    parser.add_argument("--library-seconds", type=float, default=1200.0)
    given = parser.parse_args(argv)
    beside_s = kept_s = size = 0.0
    print(f"{given.targets} targets, {given.seconds:g} s for each run, one core for each worker")
    print(
        f"{'workers':>8}{'wall s':>9}{'s a run beside it':>20}{'evaluations/s':>15}{'MB each':>9}"
    )
    for n_workers in given.workers:
        with tempfile.TemporaryDirectory() as folder:
            manifest = write_manifest(Path(folder), given.targets)
            out = Path(folder) / "out"
            result, wall_s, memory_mb = run_with(n_workers, manifest, out, given.seconds)
            beside_s = wall_s / math.ceil(given.targets / n_workers) - given.seconds
            rate = sum(r.n_evaluations for r in result.runs) / sum(
                r.elapsed_s for r in result.runs
            )
            kept_s, size = keeping_s(result), megabytes(out) / given.targets
        print(f"{n_workers:8}{wall_s:9.1f}{beside_s:20.1f}{rate:15.0f}{memory_mb:9.0f}")
    print(f"Kept for each run: {size:.1f} MB, in {1000.0 * kept_s:.0f} ms at this end")
    n_places = given.machines * given.cores
    n_runs = given.library * given.library_seeds
    total_s = projected_s(
        n_runs, n_places, run_s=given.library_seconds, beside_s=beside_s, kept_s=kept_s
    )
    print(
        f"{given.library} targets, {given.library_seeds} seeds, {given.library_seconds:g} s each, "
        f"on {given.machines} machines of {given.cores} cores: about {duration_words(total_s)}, "
        f"{given.library * size / 1000.0:.1f} GB"
    )


if __name__ == "__main__":
    main()
