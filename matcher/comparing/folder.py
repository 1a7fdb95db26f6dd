"""The folder of a comparison: what is to be done, what is done, and what it shows.

::

    runs/compare-horn_C4-1/
        compare.json         what is compared, and with how much; figures and verdict
        jobs/NAME.json       each finished run (`RunOutcome`), named target-structure-seed-key
        runs/NAME/           the whole run folder of the best seed of each target and structure
        runs.csv             one line for each finished run
        evaluations.csv      the course of each: one line for each improvement
        curves.csv           median and quartiles over the course, for convergence plots
        reached.csv          expected running time to each threshold
        effects.csv          each two structures side by side
        failed.csv           targets that can't be matched, and why (only if there are any)

A run counts as finished when its file in ``jobs/`` is there, which is written last and in one
step. So work can be stopped at any moment, and the same command goes on from there.
"""

from __future__ import annotations

import contextlib
import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from matcher.comparing.comparison import Comparison
from matcher.comparing.outcome import FailedRun, RunOutcome
from matcher.comparing.planning import Plan, Settings
from matcher.comparing.sources import StructureSource, TargetSource  # noqa: TC001  read as fields
from matcher.optimise import current_sampler
from matcher.runs.layout import cannot_write, safe_name
from shared import EarwrightError, RunFolderError, write_atomic
from shared.documents import Document, read_document, to_builtins, write_document

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from matcher.comparing.planning import Job

__all__ = [
    "COMPARE_FILE",
    "ComparisonFolder",
    "load_comparison",
    "run_folder",
]

COMPARE_FILE = "compare.json"
JOBS_FOLDER = "jobs"
RUNS_FOLDER = "runs"
# Hidden names of run folders while one takes the place of another.
_COMING, _GOING = ".tmp", ".old"
_ANEW = "Give the whole command again with another --out."


class ComparisonDocument(Document, frozen=True, kw_only=True):
    """What is read of `compare.json`; the figures in it are computed again."""

    kind: Literal["earwright comparison"] = "earwright comparison"
    schema_version: Literal[1] = 1
    settings: Settings
    targets: tuple[TargetSource, ...]
    structures: tuple[StructureSource, ...]
    failed: tuple[FailedRun, ...] = ()


def read_outcome(path: Path) -> RunOutcome:
    """Read a finished run."""
    try:
        return read_document(path, RunOutcome, error=RunFolderError)
    except EarwrightError as error:
        raise RunFolderError(
            f"{error} Or remove {path}, and that run is done again.", path=path
        ) from error


def run_folder(folder: Path, target: str, structure: str) -> Path:
    """Say where the best run of a target and a structure lies.

    Parameters
    ----------
    folder : Path
        The comparison.
    target, structure : str
        Their names.

    Returns
    -------
    Path
        A run folder, for `load_run`.
    """
    return folder / RUNS_FOLDER / safe_name(f"{target}-{structure}", default="run")


def load_comparison(folder: str | Path) -> Comparison:
    """Read a comparison, finished or not.

    Parameters
    ----------
    folder : str or Path
        Its folder.

    Returns
    -------
    Comparison
        All finished runs, and what they show.

    Raises
    ------
    RunFolderError
        If it is none, or a file in it can't be read; the file is in the message.
    """
    found = ComparisonFolder(Path(folder))
    return found.comparison(*found.read())


class ComparisonFolder:
    """Reading and writing a comparison in a folder that is there."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def read(self) -> tuple[Plan, tuple[FailedRun, ...]]:
        """Read what the comparison consists of, and which runs can't be done."""
        path = self.path / COMPARE_FILE
        if not path.exists():
            what = f"has no {COMPARE_FILE}" if self.path.is_dir() else "is no folder"
            raise RunFolderError(
                f"{self.path} {what}; it must be a folder that `earwright compare` has written. "
                "Check the name.",
                path=self.path,
            )
        document = read_document(path, ComparisonDocument, error=RunFolderError, advice=_ANEW)
        settings = replace(document.settings, sampler=current_sampler(document.settings.sampler))
        plan = Plan(document.targets, document.structures, settings)
        return plan, document.failed

    def write(self, plan: Plan, figures: Mapping[str, object] | None = None) -> None:
        """Write what is to be done, and what is known of it; make the folders of runs."""
        document = ComparisonDocument(
            settings=plan.settings, targets=plan.targets, structures=plan.structures
        )
        with _writing(self.path):
            write_document(self.path / COMPARE_FILE, {**to_builtins(document), **(figures or {})})
            for name in (JOBS_FOLDER, RUNS_FOLDER):
                (self.path / name).mkdir(exist_ok=True)

    def job_file(self, job: Job) -> Path:
        """Return the file of a finished run."""
        stem = safe_name(f"{job.target.name}-{job.structure.name}", default="run")
        return self.path / JOBS_FOLDER / f"{stem}-{job.seed}-{job.key[:16]}.json"

    def finished(self, plan: Plan) -> dict[str, RunOutcome]:
        """Read the finished runs of a plan, by key, in the order of the plan."""
        files = {job.key: self.job_file(job) for job in plan.jobs()}
        found = {key: read_outcome(path) for key, path in files.items() if path.is_file()}
        return {key: outcome for key, outcome in found.items() if outcome.key == key}

    def comparison(self, plan: Plan, failed: tuple[FailedRun, ...]) -> Comparison:
        """Bring together what is finished."""
        runs = tuple(self.finished(plan).values())
        n_jobs = len(plan.targets) * len(plan.structures) * len(plan.settings.seeds)
        return Comparison(
            folder=self.path,
            settings=to_builtins(plan.settings),
            targets=tuple(target.name for target in plan.targets),
            structures=tuple(structure.name for structure in plan.structures),
            runs=runs,
            failed=failed,
            n_missing=n_jobs - len(runs) - len(failed),
        )

    def add(self, job: Job, outcome: RunOutcome, files: Mapping[str, bytes]) -> None:
        """Keep a finished run, and its run folder if it is the best of its kind so far."""
        with _writing(self.path):
            self._keep_if_best(outcome, files)
            write_document(self.job_file(job), to_builtins(outcome))

    def _keep_if_best(self, outcome: RunOutcome, files: Mapping[str, bytes]) -> None:
        """Replace the run folder of a target and structure if this run is better."""
        final = run_folder(self.path, outcome.target, outcome.structure)
        if _loss_of(final) <= outcome.final.total:
            return
        aside = final.with_name(f".{final.name}{_COMING}")
        shutil.rmtree(aside, ignore_errors=True)
        for name, content in files.items():
            file = aside / name
            # Files come from another machine; they stay inside all the same.
            if not file.resolve().is_relative_to(aside.resolve()):
                raise RunFolderError(f"{name!r} is no file of a run folder.", path=final)
            file.parent.mkdir(parents=True, exist_ok=True)
            write_atomic(file, content, overwrite=False)
        going = final.with_name(f".{final.name}{_GOING}")
        if final.exists():
            final.rename(going)
        aside.rename(final)
        shutil.rmtree(going, ignore_errors=True)

    def recover(self) -> None:
        """Bring back, or take away, what a command that was killed has left among the runs.

        The caller holds the lock of the comparison.
        """
        runs = self.path / RUNS_FOLDER
        with _writing(self.path):
            for going in runs.glob(f".?*{_GOING}"):
                final = going.with_name(going.name[1 : -len(_GOING)])
                if not final.exists():
                    going.rename(final)
            for entry in (*runs.glob(f".?*{_GOING}"), *runs.glob(f".?*{_COMING}")):
                shutil.rmtree(entry, ignore_errors=True)


def _loss_of(folder: Path) -> float:
    """Return the final loss of a run folder; infinity if there is none."""
    try:
        document = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        return float(document["loss"]["end"]["total"])
    except (OSError, ValueError, KeyError, TypeError):
        return float("inf")


@contextlib.contextmanager
def _writing(folder: Path) -> Iterator[None]:
    """Say why a folder can't be written."""
    try:
        yield
    except OSError as error:
        raise cannot_write(folder, error) from error
