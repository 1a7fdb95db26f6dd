"""One run as a job: everything it needs travels with it, everything it finds travels back.

The same job runs in a process of this machine and on a worker of a cluster: it writes recordings
and structure into a folder of its own, searches, and returns the outcome with the files of a run
folder. Threads are limited inside the job, so a worker with one core's share uses one core.
"""

from __future__ import annotations

import json
import warnings as python_warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from matcher.comparing.loading import in_user_words, load_source
from matcher.comparing.outcome import Curve, NoteOutcome, RunOutcome
from matcher.comparing.sources import (  # noqa: TC001  dataclass fields are resolved in tests
    StructureSource,
    TargetSource,
)
from matcher.optimise import DEFAULT_SAMPLER, EARLIER_DEFAULT
from shared import EarwrightError, EarwrightWarning, sha256_digest
from shared.files import temporary_folder

if TYPE_CHECKING:
    from pathlib import Path

    from matcher.result import MatchResult

__all__ = ["Budget", "Job", "JobReport", "Recordings", "run_job"]

# Content of recordings by their digest.
Recordings: TypeAlias = Mapping[str, bytes]


@dataclass(frozen=True)
class Budget:
    """What every run is given.

    Parameters
    ----------
    seconds : float or None
        Seconds of search, or ...
    evals : int or None
        ... candidates to try.
    sampler : str
        A name of `matcher.optimise.SAMPLER_NAMES`.
    weights : tuple of (str, float)
        A weight for each loss term.
    """

    seconds: float | None
    evals: int | None
    sampler: str
    weights: tuple[tuple[str, float], ...]

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        return {
            "seconds": self.seconds,
            "evals": self.evals,
            "sampler": self.sampler,
            "weights": dict(self.weights),
        }


@dataclass(frozen=True)
class Job:
    """One run that is to be done.

    Parameters
    ----------
    target : TargetSource
        What to match.
    structure : StructureSource
        The voice.
    seed : int
        Seed of the search.
    budget : Budget
        How long to search, and what counts.
    """

    target: TargetSource
    structure: StructureSource
    seed: int
    budget: Budget

    @cached_property
    def key(self) -> str:
        """64 hexadecimal digits made of all that the result depends on."""
        said = {
            "target": self.target.digest,
            "structure": self.structure.digest,
            "seed": self.seed,
            **self.budget.to_dict(),
        }
        if self.budget.sampler == DEFAULT_SAMPLER:
            said["sampler"] = EARLIER_DEFAULT  # a comparison that was begun then goes on
        return sha256_digest(json.dumps(said, sort_keys=True).encode())


@dataclass(frozen=True, eq=False)
class JobReport:
    """What came of a job.

    Parameters
    ----------
    key : str
        Key of the job.
    outcome : RunOutcome or None
        What was found; None if the job failed or was stopped.
    files : mapping of str to bytes
        The run folder: content by path.
    failure : str or None
        Why the target can't be matched, in one line.
    """

    key: str
    outcome: RunOutcome | None
    files: Mapping[str, bytes]
    failure: str | None = None


def run_job(
    job: Job,
    recordings: Recordings,
    *,
    n_threads: int = 1,
    stop: Callable[[], bool] | None = None,
) -> JobReport:
    """Do one run.

    Parameters
    ----------
    job : Job
        What to do.
    recordings : mapping of str to bytes
        The recordings of its target, by their digest; see `TargetSource.read`.
    n_threads : int >= 1
        Threads that render and score.
    stop : callable, optional
        Asked after each batch; the job ends without a result when it returns True.

    Returns
    -------
    JobReport
        A recording that can't be used is told in it, and raises nothing.
    """
    # Before anything heavy is loaded: the user may have changed their mind while we began.
    if stop is not None and stop():
        return JobReport(job.key, None, {})
    from matcher.comparing.threads import one_thread_each  # noqa: PLC0415  loads numba

    with (
        temporary_folder() as folder,
        python_warnings.catch_warnings(),
        one_thread_each(),
    ):
        # What is assumed about a recording stands in its notes, and is told with the outcome.
        python_warnings.simplefilter("ignore", EarwrightWarning)
        try:
            result = _match(job, recordings, folder, n_threads, stop)
        except EarwrightError as error:
            return JobReport(job.key, None, {}, in_user_words(str(error), str(folder)))
        if result.stop_reason in {"stopped", "interrupted"}:
            return JobReport(job.key, None, {})
        files = _run_files(result, folder / "run")
    return JobReport(job.key, _outcome(job, result, n_threads), files)


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
        load_source(job.target, recordings, folder),
        structure=structure,
        seconds=job.budget.seconds,
        evals=job.budget.evals,
        seed=job.seed,
        sampler=job.budget.sampler,
        weights=dict(job.budget.weights),
        n_threads=n_threads,
        progress=False,
        stop=stop,
    )


def _run_files(result: MatchResult, folder: Path) -> dict[str, bytes]:
    """Write the run folder, and take its files."""
    from matcher.runs.run_folder import save_run  # noqa: PLC0415

    save_run(result, folder)
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        # All but the lock of the folder.
        if path.is_file() and not path.name.startswith(".")
    }


def _outcome(job: Job, result: MatchResult, n_threads: int) -> RunOutcome:
    """Bring a result down to what a comparison needs."""
    from matcher.comparing.threads import processor_name  # noqa: PLC0415
    from matcher.hearing import audible_differences  # noqa: PLC0415

    versions: Any = result.patch.provenance.get("versions", {})
    return RunOutcome(
        key=job.key,
        target=job.target.name,
        structure=job.structure.name,
        seed=job.seed,
        start=result.start,
        final=result.end,
        notes=tuple(
            NoteOutcome(
                match.note.name,
                match.loss,
                tuple(each.summary for each in differences if each.is_audible),
            )
            for match, differences in zip(result.notes, audible_differences(result), strict=True)
        ),
        curve=_curve(result),
        patch=result.patch,
        n_evaluations=result.n_evaluations,
        elapsed_s=result.elapsed_s,
        stop_reason=result.stop_reason,
        n_threads=n_threads,
        processor=processor_name(),
        versions=dict(versions),
        warnings=tuple(text for match in result.notes for text in match.note.warnings),
    )


def _curve(result: MatchResult) -> Curve:
    """Take the improvements out of the record of a search."""
    from matcher.losses import TERMS, breakdown  # noqa: PLC0415

    record = result.record
    places = record.improvements()
    terms = [breakdown(row).terms for row in record.terms[places]]
    return Curve(
        evaluations=places.astype(np.float64) + 1.0,
        elapsed_s=np.array(record.elapsed_s[places]),
        loss=np.array(record.losses[places]),
        terms={name: np.array([each[name] for each in terms]) for name in TERMS},
    )
