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
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matcher.comparing._documents import outcome_to_json, read_outcome
from matcher.comparing.comparison import Comparison
from matcher.comparing.jobs import Budget, Job
from matcher.comparing.outcome import FailedRun, RunOutcome
from matcher.comparing.sources import StructureSource, TargetSource
from matcher.optimise import current_sampler
from matcher.runs.claim import cannot_write
from matcher.runs.file_names import safe_name
from matcher.runs.run_document import to_json
from shared import RunFolderError, write_atomic

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

__all__ = ["COMPARE_FILE", "ComparisonFolder", "Plan", "load_comparison", "run_folder"]

COMPARE_FILE = "compare.json"
JOBS_FOLDER = "jobs"
RUNS_FOLDER = "runs"
# Hidden names of run folders while one takes the place of another.
_COMING, _GOING = ".tmp", ".old"
KIND = "earwright comparison"
SCHEMA_VERSION = 1


@dataclass(frozen=True)
class Plan:
    """What a comparison consists of.

    Parameters
    ----------
    targets : tuple of TargetSource
        What is matched.
    structures : tuple of StructureSource
        With which voices.
    seeds : tuple of int
        Seeds of the runs.
    budget : Budget
        What every run gets.
    thresholds : tuple of float
        Losses whose reaching is told, in audible steps, falling.
    """

    targets: tuple[TargetSource, ...]
    structures: tuple[StructureSource, ...]
    seeds: tuple[int, ...]
    budget: Budget
    thresholds: tuple[float, ...]

    def jobs(self) -> Iterator[Job]:
        """Go through the runs: target by target, seed by seed, structure by structure.

        Structures come innermost: a comparison that is stopped early has whole pairs.
        """
        for target in self.targets:
            for seed in self.seeds:
                for structure in self.structures:
                    yield Job(target, structure, seed, self.budget)

    def settings(self) -> dict[str, object]:
        """Return budget, seeds and thresholds."""
        return {
            **self.budget.to_dict(),
            "seeds": list(self.seeds),
            "thresholds": list(self.thresholds),
        }

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        return {
            "settings": self.settings(),
            "targets": [target.to_dict() for target in self.targets],
            "structures": [structure.to_dict() for structure in self.structures],
        }


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
    path = Path(folder)
    plan = read_plan(path)
    place = ComparisonFolder(path)
    return place.comparison(plan, read_failed(path))


def read_plan(folder: Path) -> Plan:
    """Read what a comparison consists of.

    Parameters
    ----------
    folder : Path
        The comparison.

    Returns
    -------
    Plan
        As it was given.

    Raises
    ------
    RunFolderError
        If it is no comparison, or damaged.
    """
    document = _read_document(folder)
    try:
        settings = document["settings"]
        budget = Budget(
            settings["seconds"],
            settings["evals"],
            current_sampler(settings["sampler"]),
            tuple(settings["weights"].items()),
        )
        return Plan(
            tuple(TargetSource.from_dict(each) for each in document["targets"]),
            tuple(StructureSource(each["name"], each["text"]) for each in document["structures"]),
            tuple(int(seed) for seed in settings["seeds"]),
            budget,
            tuple(float(value) for value in settings["thresholds"]),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise RunFolderError(
            f"{folder / COMPARE_FILE} is damaged ({type(error).__name__}: {error}). Give the "
            "whole command again with another --out.",
            path=folder,
        ) from error


def read_failed(folder: Path) -> tuple[FailedRun, ...]:
    """Read which runs can't be done."""
    listed = _read_document(folder).get("failed", [])
    try:
        return tuple(
            FailedRun(str(x["target"]), str(x["structure"]), int(x["seed"]), str(x["message"]))
            for x in listed
        )
    except (KeyError, TypeError, ValueError) as error:
        raise RunFolderError(
            f"{folder / COMPARE_FILE} is damaged (failed: {type(error).__name__}). Give the whole "
            "command again with another --out.",
            path=folder,
        ) from error


class ComparisonFolder:
    """Writing a comparison.

    Parameters
    ----------
    path : Path
        The folder; it is there.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    def job_file(self, job: Job) -> Path:
        """Return the file of a finished run."""
        stem = safe_name(f"{job.target.name}-{job.structure.name}", default="run")
        return self.path / JOBS_FOLDER / f"{stem}-{job.seed}-{job.key[:16]}.json"

    def finished(self, plan: Plan) -> dict[str, RunOutcome]:
        """Read the finished runs of a plan, by key."""
        found = {}
        for job in plan.jobs():
            path = self.job_file(job)
            if path.is_file():
                outcome = read_outcome(path)
                if outcome.key == job.key:
                    found[job.key] = outcome
        return found

    def comparison(self, plan: Plan, failed: tuple[FailedRun, ...]) -> Comparison:
        """Bring together what is finished."""
        finished = self.finished(plan)
        jobs = list(plan.jobs())
        order = {job.key: i for i, job in enumerate(jobs)}
        return Comparison(
            folder=self.path,
            settings=plan.settings(),
            targets=tuple(target.name for target in plan.targets),
            structures=tuple(structure.name for structure in plan.structures),
            runs=tuple(sorted(finished.values(), key=lambda run: order[run.key])),
            failed=failed,
            n_missing=len(jobs) - len(finished) - len(failed),
        )

    def write_plan(self, plan: Plan) -> None:
        """Write what is to be done; figures come later."""
        with _told(self.path):
            self.write_document(plan.to_dict())
            for name in (JOBS_FOLDER, RUNS_FOLDER):
                (self.path / name).mkdir(exist_ok=True)

    def write_document(self, content: Mapping[str, object]) -> None:
        """Write `compare.json`."""
        document = {"kind": KIND, "schema_version": SCHEMA_VERSION, **content}
        write_atomic(self.path / COMPARE_FILE, to_json(document), overwrite=True)

    def add(self, job: Job, outcome: RunOutcome, files: Mapping[str, bytes]) -> None:
        """Keep a finished run, and its run folder if it is the best of its kind so far."""
        with _told(self.path):
            self._keep_if_best(outcome, files)
            write_atomic(self.job_file(job), outcome_to_json(outcome), overwrite=True)

    def _keep_if_best(self, outcome: RunOutcome, files: Mapping[str, bytes]) -> None:
        """Replace the run folder of a target and structure if this run is better."""
        final = run_folder(self.path, outcome.target, outcome.structure)
        if _loss_of(final) <= outcome.final.total:
            return
        aside = final.with_name(f".{final.name}{_COMING}")
        shutil.rmtree(aside, ignore_errors=True)
        for name, content in files.items():
            place = aside / name
            # Files come from another machine; they stay inside all the same.
            if not place.resolve().is_relative_to(aside.resolve()):
                raise RunFolderError(f"{name!r} is no file of a run folder.", path=final)
            place.parent.mkdir(parents=True, exist_ok=True)
            write_atomic(place, content, overwrite=False)
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
        with _told(self.path):
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


def _read_document(folder: Path) -> dict[str, Any]:
    """Read `compare.json` and check what it is."""
    path = folder / COMPARE_FILE
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        what = f"has no {COMPARE_FILE}" if folder.is_dir() else "is no folder"
        raise RunFolderError(
            f"{folder} {what}; a folder that `earwright compare` has written is accepted. Check "
            "the name.",
            path=folder,
        ) from error
    except (OSError, ValueError, RecursionError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise RunFolderError(f"{path} can't be read: {reason}.", path=path) from error
    if not isinstance(document, dict) or document.get("kind") != KIND:
        raise RunFolderError(
            f'{path}, kind: "{KIND}" is needed; this is another file. Check the name.', path=path
        )
    if document.get("schema_version") != SCHEMA_VERSION:
        raise RunFolderError(
            f"{path}, schema_version: {document.get('schema_version')!r} is not known; "
            f"{SCHEMA_VERSION} is accepted. A newer earwright may have written it.",
            name="schema_version",
            path=path,
        )
    return document


@contextlib.contextmanager
def _told(folder: Path) -> Iterator[None]:
    """Say why a folder can't be written."""
    try:
        yield
    except OSError as error:
        raise cannot_write(folder, error) from error
