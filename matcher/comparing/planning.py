"""From what the user asks for to a plan, checked before anything runs."""

from __future__ import annotations

import json
import math
import warnings as python_warnings
from collections.abc import Mapping  # noqa: TC003  dataclass fields are resolved in tests
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from matcher.comparing.sources import (
    StructureSource,
    TargetSource,
    in_user_words,
    list_structures_of,
    list_targets,
)
from matcher.defaults import DEFAULT_SECONDS
from matcher.losses import weights_for
from matcher.matching import check_budget
from matcher.optimise import DEFAULT_SAMPLER, EARLIER_DEFAULT, check_sampler
from shared import (
    EarwrightError,
    EarwrightWarning,
    ParameterError,
    RunFolderError,
    sha256_digest,
)
from shared.files import temporary_folder

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from voice import Structure

__all__ = ["Job", "Plan", "Settings", "check_extension", "check_targets", "make_plan"]

# From clearly another sound to about one just-noticeable difference (common practice, no source).
DEFAULT_THRESHOLDS = (10.0, 8.0, 6.0, 5.0, 4.0, 3.0, 2.5, 2.0, 1.5, 1.0)
MAX_SEED = 2**32 - 1
MAX_RUNS = 1_000_000
MAX_CHECKED = 12
# What every run gets: these settings are part of its key, and stay what they are in a folder.
BUDGET = ("seconds", "evals", "sampler", "weights")


@dataclass(frozen=True)
class Settings:
    """What every run gets: seconds or evals, sampler and weights; seeds; thresholds, falling.

    Weights may be whole numbers: the key of a run tells 2 from 2.0.
    """

    seconds: float | None
    evals: int | None
    sampler: str
    weights: Mapping[str, int | float]
    seeds: tuple[int, ...]
    thresholds: tuple[float, ...]

    def budget(self) -> dict[str, object]:
        """Return what the result of a run depends on."""
        return {name: getattr(self, name) for name in BUDGET}


@dataclass(frozen=True)
class Job:
    """One run that is to be done."""

    target: TargetSource
    structure: StructureSource
    seed: int
    settings: Settings

    @cached_property
    def key(self) -> str:
        """64 hexadecimal digits made of all that the result depends on."""
        said = {
            "target": self.target.digest,
            "structure": self.structure.digest,
            "seed": self.seed,
            **self.settings.budget(),
        }
        if self.settings.sampler == DEFAULT_SAMPLER:
            said["sampler"] = EARLIER_DEFAULT  # a comparison that was begun then goes on
        return sha256_digest(json.dumps(said, sort_keys=True).encode())


@dataclass(frozen=True)
class Plan:
    """What a comparison consists of."""

    targets: tuple[TargetSource, ...]
    structures: tuple[StructureSource, ...]
    settings: Settings

    def jobs(self) -> Iterator[Job]:
        """Go through the runs: target by target, seed by seed, structure by structure.

        Structures come innermost: a comparison that is stopped early has whole pairs.
        """
        for target in self.targets:
            for seed in self.settings.seeds:
                for structure in self.structures:
                    yield Job(target, structure, seed, self.settings)


def make_plan(
    targets: Iterable[str | Path | Sequence[str | Path]],
    structures: Iterable[str | Path | Structure],
    *,
    seeds: int | Sequence[int],
    seconds: float | None,
    evals: int | None,
    thresholds: Sequence[float] | None,
    sampler: str | None,
    weights: str | Mapping[str, float] | None,
) -> Plan:
    """Make a plan of the arguments of `matcher.compare`: every file is there and loads."""
    check_budget(seconds, evals)
    if seconds is None and evals is None:
        seconds = DEFAULT_SECONDS
    chosen = DEFAULT_SAMPLER if sampler is None else sampler
    check_sampler(chosen)
    plan = Plan(
        list_targets(targets),
        list_structures_of(structures),
        Settings(
            seconds=None if seconds is None else float(seconds),
            evals=None if evals is None else int(evals),
            sampler=chosen,
            weights=weights_for(weights),
            seeds=_seeds(seeds),
            thresholds=_thresholds(DEFAULT_THRESHOLDS if thresholds is None else thresholds),
        ),
    )
    n_seeds = len(plan.settings.seeds)
    n_runs = len(plan.targets) * len(plan.structures) * n_seeds
    if n_runs > MAX_RUNS:
        raise ParameterError(
            f"{len(plan.targets)} targets with {len(plan.structures)} structures and {n_seeds} "
            f"seeds are {n_runs} runs; there must be {MAX_RUNS} at most. Leave some out.",
            name="seeds",
        )
    return plan


def check_targets(targets: Sequence[TargetSource]) -> None:
    """Load targets once, so that a bad recording is named before anything is written.

    Many are not checked: each takes about a second, and the runs say so as well.
    """
    if len(targets) > MAX_CHECKED:
        return
    for target in targets:
        with temporary_folder() as folder:
            try:
                with python_warnings.catch_warnings():
                    python_warnings.simplefilter("ignore", EarwrightWarning)
                    loaded = target.load(target.read(), folder)
            except EarwrightError as error:
                # The recording was checked from a copy; the user knows the original.
                error.args = (in_user_words(str(error), folder),)
                raise
        for note in loaded.notes:
            for text in note.warnings:
                python_warnings.warn(text, EarwrightWarning, stacklevel=3)


def check_extension(earlier: Plan, plan: Plan, folder: Path) -> None:
    """Refuse to let a comparison become another one: nothing of the earlier plan may be missing.

    There may be more targets, structures and seeds.
    """
    for what, before, now in _differences(earlier, plan):
        raise RunFolderError(
            f"{folder} holds a comparison with {what} {before}, and {now} is asked for; "
            "it must be the same, or more targets, structures and seeds. Name another folder with "
            "--out.",
            path=folder,
        )


def _differences(earlier: Plan, plan: Plan) -> Iterator[tuple[str, str, str]]:
    """Go through what keeps two plans from being one comparison."""
    now = plan.settings.budget()
    for name, value in earlier.settings.budget().items():
        if value != now[name]:
            yield name, _said(value), _said(now[name])
    lists: list[tuple[str, dict[Any, str], dict[Any, str]]] = [
        (what, named(earlier), named(plan))
        for what, named in (
            ("target", lambda p: {x.digest: x.name for x in p.targets}),
            ("structure", lambda p: {x.digest: x.name for x in p.structures}),
            ("seed", lambda p: {x: str(x) for x in p.settings.seeds}),
        )
    ]
    for what, old, new in lists:
        for key, name in old.items():
            if key not in new:
                same_name = "a changed one" if name in new.values() else "none of that name"
                yield what, name, same_name


def _said(value: object) -> str:
    """Name a setting in a message."""
    return "none" if value is None else f"{value}"


def _seeds(seeds: int | Sequence[int]) -> tuple[int, ...]:
    """Turn a number of seeds into seeds, or check those that are given."""
    if isinstance(seeds, int):
        listed = tuple(range(seeds)) if 0 < seeds <= MAX_RUNS else ()
        needed = f"a number of seeds from 1 to {MAX_RUNS}"
    else:
        listed = tuple(seeds)
        needed = f"seeds from 0 to {MAX_SEED}, each once"
    if not listed or len(set(listed)) < len(listed) or not all(_is_seed(s) for s in listed):
        raise ParameterError(f"seeds is {seeds}; it must be {needed}.", name="seeds")
    return listed


def _is_seed(value: object) -> bool:
    """Whether a value can be a seed."""
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= MAX_SEED


def _thresholds(values: Sequence[float]) -> tuple[float, ...]:
    """Check losses and bring them in order, the easiest first."""
    listed = tuple(sorted({float(value) for value in values}, reverse=True))
    if not listed or not all(0.0 < value < math.inf for value in listed):
        raise ParameterError(
            f"thresholds is {', '.join(f'{v:g}' for v in values) or 'empty'}; they "
            "must be distances above 0.",
            name="thresholds",
        )
    return listed
