"""Small recordings and jobs, so that a run takes a tenth of a second, or nothing at all."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec
import soundfile

from matcher.comparing.jobs import JobReport
from matcher.comparing.planning import Plan, make_plan
from tests.matcher.comparing.made_runs import made_run
from tests.matcher.small_match import RATE_HZ, played_note

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from typing import Any

    from matcher.comparing.planning import Job
    from matcher.comparing.sources import Recordings

__all__ = ["small_plan", "without_search", "write_notes"]


def write_notes(folder: Path, *names: str) -> list[Path]:
    """Write notes of half a second, a semitone apart."""
    paths = [folder / name for name in names]
    for i, path in enumerate(paths):
        soundfile.write(path, played_note(57.0 + i), RATE_HZ)
    return paths


def small_plan(folder: Path, *names: str, **changes: Any) -> Plan:  # noqa: ANN401
    """Plan runs of 48 candidates; `changes` are those of `make_plan`."""
    settings: dict[str, Any] = {
        "seeds": 1,
        "seconds": None,
        "evals": 48,
        "thresholds": None,
        "sampler": None,
        "weights": None,
        **changes,
    }
    structures = settings.pop("structures", ["one-oscillator"])
    return make_plan(write_notes(folder, *(names or ("reed_A3.wav",))), structures, **settings)


def without_search(
    job: Job,
    recordings: Recordings,
    *,
    n_threads: int = 1,
    stop: Callable[[], bool] | None = None,
) -> JobReport:
    """Report a made-up run, the same for the same job, in the place of `run_job`."""
    del recordings, n_threads
    if stop is not None and stop():
        return JobReport(job.key)
    loss = 2.0 + int(job.key[:4], 16) / 2**16
    run = made_run(job.target.name, job.structure.name, job.seed, loss=loss)
    return JobReport(job.key, msgspec.structs.replace(run, key=job.key), {"run.json": b"{}"})
