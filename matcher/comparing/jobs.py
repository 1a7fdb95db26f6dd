"""One run as a job: everything it needs travels with it, everything it finds travels back.

The same job runs in a process of this machine and on a worker of a cluster: it writes recordings
and structure into a folder of its own, searches, and returns the outcome with the files of a run
folder. Threads are limited inside the job, so a worker with one core's share uses one core.
"""

from __future__ import annotations

import contextlib
import json
import platform
import warnings as python_warnings
from collections.abc import Mapping  # noqa: TC003  dataclass fields are resolved in tests
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matcher.comparing.outcome import Curve, NoteOutcome, RunOutcome
from matcher.comparing.sources import Recordings, in_user_words
from shared import EarwrightError, EarwrightWarning
from shared.files import temporary_folder

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from matcher.comparing.planning import Job
    from matcher.result import MatchResult

__all__ = ["JobReport", "run_job"]


@dataclass(frozen=True, eq=False)
class JobReport:
    """What came of a job: nothing if it was stopped.

    `files` is the run folder, content by path; `failure` says in one line why the target can't
    be matched.
    """

    key: str
    outcome: RunOutcome | None = None
    files: Mapping[str, bytes] = field(default_factory=dict)
    failure: str | None = None


def run_job(
    job: Job,
    recordings: Recordings,
    *,
    n_threads: int = 1,
    stop: Callable[[], bool] | None = None,
) -> JobReport:
    """Do one run; `stop` is asked after each batch, and what can't be used raises nothing."""
    # Before anything heavy is loaded: the user may have changed their mind while we began.
    if stop is not None and stop():
        return JobReport(job.key)
    with (
        temporary_folder() as folder,
        python_warnings.catch_warnings(),
        one_thread_each(),
    ):
        # What is assumed about a recording is in its notes, and in the run folder.
        python_warnings.simplefilter("ignore", EarwrightWarning)
        try:
            result = _match(job, recordings, folder, n_threads, stop)
        except EarwrightError as error:
            return JobReport(job.key, failure=in_user_words(str(error), folder))
        if result.stop_reason in {"stopped", "interrupted"}:
            return JobReport(job.key)
        files = _run_files(result, folder / "run")
    return JobReport(job.key, _outcome(job, result, n_threads), files)


@contextlib.contextmanager
def one_thread_each() -> Iterator[None]:
    """Hold numba, BLAS and FFT, which bring threads of their own, to one thread each.

    A search is arithmetic from end to end: more threads than cores make it slower. Those that
    render and score are counted by us.
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


def _match(
    job: Job,
    recordings: Recordings,
    folder: Path,
    n_threads: int,
    stop: Callable[[], bool] | None,
) -> MatchResult:
    """Load and search."""
    from matcher.matching import match  # noqa: PLC0415  loads the voice

    structure = folder / "structure.toml"
    structure.write_text(job.structure.text, encoding="utf-8")
    return match(
        job.target.load(recordings, folder),
        structure=structure,
        seconds=job.settings.seconds,
        evals=job.settings.evals,
        seed=job.seed,
        sampler=job.settings.sampler,
        weights=dict(job.settings.weights),
        n_threads=n_threads,
        progress=False,
        stop=stop,
    )


def _run_files(result: MatchResult, folder: Path) -> dict[str, bytes]:
    """Write the run folder, and take its files: all but the lock."""
    from matcher.runs.folder import save_run  # noqa: PLC0415

    save_run(result, folder)
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.startswith(".")
    }


def _outcome(job: Job, result: MatchResult, n_threads: int) -> RunOutcome:
    """Bring a result down to what a comparison needs."""
    from matcher.hearing import audible_differences  # noqa: PLC0415

    versions: Any = result.patch.provenance.get("versions", {})
    return RunOutcome(
        key=job.key,
        target=job.target.name,
        structure=job.structure.name,
        seed=job.seed,
        final=result.end,
        notes=tuple(
            NoteOutcome(
                match.note.name,
                tuple(each.summary for each in differences if each.is_audible),
            )
            for match, differences in zip(result.notes, audible_differences(result), strict=True)
        ),
        curve=_curve(result),
        patch=json.loads(result.patch.to_json()),
        n_evaluations=result.n_evaluations,
        elapsed_s=result.elapsed_s,
        stop_reason=result.stop_reason,
        n_threads=n_threads,
        processor=_processor_name(),
        versions=dict(versions),
    )


def _curve(result: MatchResult) -> Curve:
    """Take the improvements out of the record of a search."""
    from matcher.losses import TERMS, breakdown  # noqa: PLC0415

    record = result.record
    improved = record.improvements()
    terms = [breakdown(row).terms for row in record.terms[improved]]
    return Curve(
        evaluations=tuple((improved + 1.0).tolist()),
        elapsed_s=tuple(record.elapsed_s[improved].tolist()),
        loss=tuple(record.losses[improved].tolist()),
        terms={name: tuple(each[name] for each in terms) for name in TERMS},
    )


def _processor_name() -> str:
    """Name the kind of processor as the system calls it."""
    with contextlib.suppress(OSError):
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor() or platform.machine() or "unknown"
