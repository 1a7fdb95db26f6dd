"""From what the user asks for to a plan, checked before anything runs."""

from __future__ import annotations

import math
import warnings as python_warnings
from typing import TYPE_CHECKING, Any

from matcher.comparing.folder import Plan
from matcher.comparing.jobs import Budget
from matcher.comparing.loading import in_user_words, load_source
from matcher.comparing.sources import list_structures_of, list_targets
from matcher.defaults import DEFAULT_SECONDS
from matcher.losses import weights_for
from matcher.matching import check_budget
from matcher.optimise import DEFAULT_SAMPLER, check_sampler
from shared import EarwrightError, EarwrightWarning, ParameterError, RunFolderError
from shared.files import temporary_folder

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path

    from matcher.comparing.sources import TargetSource
    from voice import Structure

__all__ = ["DEFAULT_THRESHOLDS", "check_extension", "check_targets", "make_plan"]

# From clearly another sound to about one just-noticeable difference (common practice, no source).
DEFAULT_THRESHOLDS = (10.0, 8.0, 6.0, 5.0, 4.0, 3.0, 2.5, 2.0, 1.5, 1.0)
MAX_SEED = 2**32 - 1
MAX_RUNS = 1_000_000
MAX_CHECKED = 12


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
    """Say what a comparison consists of.

    Parameters
    ----------
    targets, structures, seeds, seconds, evals, thresholds, sampler, weights
        As for `matcher.compare`.

    Returns
    -------
    Plan
        Checked: every file is there, every structure loads.

    Raises
    ------
    ParameterError
        If something lies outside its range.
    TargetError, StructureError
        If a file can't be used.
    """
    check_budget(seconds, evals)
    if seconds is None and evals is None:
        seconds = DEFAULT_SECONDS
    chosen = DEFAULT_SAMPLER if sampler is None else sampler
    check_sampler(chosen)
    plan = Plan(
        targets=list_targets(targets),
        structures=list_structures_of(structures),
        seeds=_seeds(seeds),
        budget=Budget(
            None if seconds is None else float(seconds),
            None if evals is None else int(evals),
            chosen,
            tuple(weights_for(weights).items()),
        ),
        thresholds=_thresholds(DEFAULT_THRESHOLDS if thresholds is None else thresholds),
    )
    n_runs = len(plan.targets) * len(plan.structures) * len(plan.seeds)
    if n_runs > MAX_RUNS:
        raise ParameterError(
            f"{len(plan.targets)} targets with {len(plan.structures)} structures and "
            f"{len(plan.seeds)} seeds are {n_runs} runs; up to {MAX_RUNS} are accepted. Leave "
            "some out.",
            name="seeds",
            value=n_runs,
        )
    return plan


def check_targets(targets: Sequence[TargetSource]) -> None:
    """Load targets once, so that a bad recording is told before anything is written.

    Parameters
    ----------
    targets : sequence of TargetSource
        If there are more than a handful, nothing is checked: each takes about a second, and the
        runs tell as well.

    Raises
    ------
    AudioError, TargetError
        If one can't be used.

    Warns
    -----
    EarwrightWarning
        With what was assumed.
    """
    if len(targets) > MAX_CHECKED:
        return
    for target in targets:
        with temporary_folder() as folder:
            try:
                with python_warnings.catch_warnings():
                    python_warnings.simplefilter("ignore", EarwrightWarning)
                    loaded = load_source(target, target.read(), folder)
            except EarwrightError as error:
                # The recording was checked from a copy; the user knows the original.
                error.args = (in_user_words(str(error), str(folder)),)
                raise
        for note in loaded.notes:
            for text in note.warnings:
                python_warnings.warn(text, EarwrightWarning, stacklevel=3)


def check_extension(earlier: Plan, plan: Plan, folder: Path) -> None:
    """Refuse to let a comparison become another one.

    Parameters
    ----------
    earlier : Plan
        What the folder holds.
    plan : Plan
        What is asked for: the same, or more targets, structures or seeds.
    folder : Path
        For the message.

    Raises
    ------
    RunFolderError
        If something of the earlier plan is missing, or runs would not be comparable.
    """
    for what, before, now in _differences(earlier, plan):
        raise RunFolderError(
            f"{folder} holds a comparison with {what} {before}, and {now} is asked for; the same, "
            "or more targets, structures and seeds, are accepted there. Name another folder with "
            "--out.",
            path=folder,
        )


def _differences(earlier: Plan, plan: Plan) -> Iterable[tuple[str, str, str]]:
    """Go through what keeps two plans from being one comparison."""
    before, now = earlier.budget.to_dict(), plan.budget.to_dict()
    for name, value in before.items():
        if value != now[name]:
            yield name, _said(value), _said(now[name])
    lists: list[tuple[str, dict[Any, str], dict[Any, str]]] = [
        (what, named(earlier), named(plan))
        for what, named in (
            ("target", lambda p: {x.digest: x.name for x in p.targets}),
            ("structure", lambda p: {x.digest: x.name for x in p.structures}),
            ("seed", lambda p: {x: str(x) for x in p.seeds}),
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
    is_number = isinstance(seeds, int)
    if isinstance(seeds, int):
        listed = tuple(range(seeds)) if 0 < seeds <= MAX_RUNS else ()
    else:
        listed = tuple(seeds)
    if not listed or len(set(listed)) < len(listed) or not all(_is_seed(s) for s in listed):
        accepted = (
            f"a number of seeds from 1 to {MAX_RUNS}"
            if is_number
            else f"seeds from 0 to {MAX_SEED}, each once,"
        )
        raise ParameterError(
            f"seeds is {seeds}; {accepted} is accepted.", name="seeds", value=seeds
        )
    return listed


def _is_seed(value: object) -> bool:
    """Whether a value can be a seed."""
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= MAX_SEED


def _thresholds(values: Sequence[float]) -> tuple[float, ...]:
    """Check losses and bring them in order, the easiest first."""
    listed = tuple(sorted({float(value) for value in values}, reverse=True))
    if not listed or not all(0.0 < value < math.inf for value in listed):
        raise ParameterError(
            f"thresholds is {', '.join(f'{v:g}' for v in values) or 'empty'}; losses above 0, in "
            "audible steps, are accepted.",
            name="thresholds",
            value=values,
        )
    return listed
