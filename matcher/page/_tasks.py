"""What jobs do: the functions of the command line, with progress written down as events."""

from __future__ import annotations

import time
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from matcher.page.jobs import BEST_FILE
from matcher.runs.run_folder import DEFAULT_PARENT
from shared import EarwrightWarning, Patch

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from matcher.page._messages import EventWriter
    from matcher.search.run import SearchRun

__all__: list[str] = []

# Often enough to look alive, seldom enough to cost nothing.
_EVERY_S = 0.25
# A new best sound is offered at most this often: nobody listens faster.
_BEST_EVERY_S = 1.0


@dataclass(frozen=True)
class Desk:
    """What a task works with."""

    folder: Path
    root: Path
    events: EventWriter
    stop: Callable[[], bool]


class _Watcher:
    """Writes down how a search goes on, at most a few times a second."""

    def __init__(self, desk: Desk, structure: str, seed: int) -> None:
        self._desk = desk
        self._structure = structure
        self._seed = seed
        self._told_at = -1.0
        self._best_at = -1.0
        self._best_loss = float("inf")
        self._number = 0

    def __call__(self, run: SearchRun) -> None:
        """Look at the running search."""
        now = time.monotonic()
        if now - self._told_at < _EVERY_S:
            return
        self._told_at = now
        state = run.state()
        if state.loss.total != self._best_loss and now - self._best_at >= _BEST_EVERY_S:
            self._best_at, self._best_loss = now, state.loss.total
            self._number += 1
            patch = Patch(
                self._structure,
                state.values,
                {"settings": {"seed": self._seed}, "loss": state.loss.to_dict()},
                state.phases,
            )
            patch.save(self._desk.folder / BEST_FILE, overwrite=True)
        self._desk.events.write(
            "progress",
            elapsed_s=round(state.elapsed_s, 3),
            evaluations=state.n_evaluations,
            seconds=state.seconds,
            evals=state.evals,
            loss=state.loss.total,
            terms=state.loss.terms,
            best=self._number,
        )


def match_target(desk: Desk, settings: Mapping[str, Any]) -> dict[str, object]:
    """Match a target, as `earwright match` does."""
    from matcher import load_target, match_and_save  # noqa: PLC0415  takes its time to load
    from voice import load_structure  # noqa: PLC0415

    structure = load_structure(settings["structure"])
    with warnings.catch_warnings():
        # The page has shown them with the target; run.json keeps them.
        warnings.simplefilter("ignore", EarwrightWarning)
        target = load_target(settings["manifest"])
    seed = int(settings.get("seed", 0))
    desk.events.write("listening", text="compiling the voice takes half a minute once")
    result, run = match_and_save(
        target,
        structure=structure,
        seconds=settings.get("seconds"),
        evals=settings.get("evals"),
        seed=seed,
        weights=settings.get("weights"),
        progress=False,
        stop=desk.stop,
        watch=_Watcher(desk, structure.name, seed),
        command_line=_command(settings),
    )
    return {"run": run.path.name, "loss": result.end.total, "reason": result.stop_reason}


def go_on(desk: Desk, settings: Mapping[str, Any]) -> dict[str, object]:
    """Go on with a match that was interrupted, or add to one that has ended."""
    from matcher import resume_match  # noqa: PLC0415  takes its time to load

    result, run = resume_match(
        desk.root / DEFAULT_PARENT / settings["run"],
        extend_seconds=settings.get("seconds"),
        extend_evals=settings.get("evals"),
        progress=False,
        stop=desk.stop,
        watch=_Watcher(desk, settings["structure"], int(settings["seed"])),
    )
    return {"run": run.path.name, "loss": result.end.total, "reason": result.stop_reason}


def refine_run(desk: Desk, settings: Mapping[str, Any]) -> dict[str, object]:
    """Search what isn't held, as `earwright refine` does; the result is a new version."""
    from matcher import refine  # noqa: PLC0415  takes its time to load

    path = desk.root / DEFAULT_PARENT / settings["run"]
    result = refine(
        path,
        hold=settings["hold"],
        set_values=settings["values"],
        seconds=settings.get("seconds"),
        evals=settings.get("evals"),
        note=settings["note"],
        progress=False,
        stop=desk.stop,
        watch=_Watcher(desk, settings["structure"], int(settings["seed"])),
    )
    return {"run": path.name, "loss": result.end.total, "reason": result.stop_reason}


def check_keyboard(desk: Desk, settings: Mapping[str, Any]) -> dict[str, object]:
    """Play a patch over the keyboard, as `earwright keyboard` does."""
    from matcher.explaining.keyboard import keyboard  # noqa: PLC0415  takes its time to load

    found = keyboard(
        desk.root / DEFAULT_PARENT / settings["run"],
        low=settings["low"],
        high=settings["high"],
        step=int(settings["step"]),
        progress=False,
        stop=desk.stop,
    )
    return {"run": settings["run"], "n_findings": len(found.findings)}


def explain_run(desk: Desk, settings: Mapping[str, Any]) -> dict[str, object]:
    """Say what mattered, as `earwright explain` does; each section is told when it is there."""
    from matcher import explain  # noqa: PLC0415  takes its time to load

    path = desk.root / DEFAULT_PARENT / settings["run"]
    told = -1

    def stop() -> bool:
        nonlocal told
        file = path / "explain.json"
        stamp = file.stat().st_mtime_ns if file.is_file() else 0
        if stamp != told:
            told = stamp
            desk.events.write("explained", run=path.name)
        return desk.stop()

    found = explain(path, seconds=settings.get("seconds"), progress=False, stop=stop)
    return {"run": path.name, "reason": found.stop_reason}


def compare_structures(desk: Desk, settings: Mapping[str, Any]) -> dict[str, object]:
    """Compare structures on a target, as `earwright compare` does, and tell what is finished."""
    from matcher import compare  # noqa: PLC0415  takes its time to load

    parent = desk.root / DEFAULT_PARENT
    number = 1
    while (parent / f"compare-{settings['target']}-{number}").exists():
        number += 1
    folder = parent / f"compare-{settings['target']}-{number}"
    desk.events.write("comparing", comparison=folder.name)
    told = 0

    def stop() -> bool:
        nonlocal told
        finished = len(list((folder / "jobs").glob("*.json"))) if folder.is_dir() else 0
        if finished != told:
            told = finished
            desk.events.write("compared", comparison=folder.name, n_finished=finished)
        return desk.stop()

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", EarwrightWarning)
        comparison = compare(
            [settings["manifest"]],
            settings["structures"],
            seeds=int(settings["seeds"]),
            seconds=settings.get("seconds"),
            evals=settings.get("evals"),
            folder=folder,
            progress=False,
            stop=stop,
        )
    return {"comparison": folder.name, "n_finished": len(comparison.runs)}


def _command(settings: Mapping[str, Any]) -> list[str]:
    """Write the command that does the same."""
    words = ["earwright", "match", str(settings["manifest"])]
    for option in ("structure", "seconds", "evals", "seed"):
        if settings.get(option) is not None:
            words += [f"--{option}", str(settings[option])]
    if settings.get("weights"):
        words += ["--weights", str(settings["weights"]).replace(" ", "-")]
    return words


TASKS: Mapping[str, Callable[[Desk, Mapping[str, Any]], dict[str, object]]] = {
    "match": match_target,
    "compare": compare_structures,
    "resume": go_on,
    "refine": refine_run,
    "explain": explain_run,
    "keyboard": check_keyboard,
}
