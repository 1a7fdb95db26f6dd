"""What jobs do: the functions of the command line, with progress written down as events.

``python -m matcher.page.tasks FOLDER`` is the process of a job. What takes its time to load is
imported after the first event.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import sys
import threading
import time
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matcher.page.jobs import BEST_FILE, JOB_FILE, LOCK_FILE, STOP_FILE, write_event
from matcher.page.workspace import Workspace
from shared.files import remove_abandoned_folders

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from matcher.interrupts import StopRequest
    from matcher.result import MatchResult
    from matcher.search.run import SearchRun

# The page must answer while a search uses all cores.
_NICENESS = 10
# Often enough to look alive, seldom enough to cost nothing.
_EVERY_S = 0.25
# How often a job looks whether it is to stop.
_WATCH_S = 0.1
# A new best sound is offered at most this often: nobody listens faster.
_BEST_EVERY_S = 1.0


@dataclass(frozen=True)
class Task:
    """What a task works with: the folder of its job, and the workspace."""

    folder: Path
    workspace: Workspace
    settings: Mapping[str, Any]
    stop: Callable[[], bool]

    @property
    def run(self) -> Path:
        """The run that is worked on."""
        return self.workspace.existing(self.workspace.runs, str(self.settings["run"]))

    @property
    def manifest(self) -> str:
        """The target that is matched."""
        from matcher.page.targets import PageTargets  # noqa: PLC0415  after the first event

        return PageTargets(self.workspace).manifest(str(self.settings["target"]))

    @property
    def budget(self) -> dict[str, Any]:
        """Seconds or evaluations."""
        return {name: self.settings.get(name) for name in ("seconds", "evals")}

    def write(self, kind: str, **fields: object) -> None:
        """Write an event."""
        write_event(self.folder, kind, **fields)

    def stop_and_watch(
        self, look: Callable[[], int], kind: str, **fields: object
    ) -> Callable[[], bool]:
        """Return a `stop` that also writes an event whenever what it looks at has changed."""
        known = 0

        def stop() -> bool:
            nonlocal known
            seen = look()
            if seen != known:
                known = seen
                self.write(kind, **fields)
            return self.stop()

        return stop


class _Watcher:
    """Writes down how a search goes on, at most a few times a second."""

    def __init__(self, task: Task, structure: str) -> None:
        self._task = task
        self._structure = structure
        self._written_at = -1.0
        self._best_at = -1.0
        self._best_loss = float("inf")
        self._number = 0

    def __call__(self, run: SearchRun) -> None:
        """Look at the running search."""
        from shared import Patch  # noqa: PLC0415  after the first event

        now = time.monotonic()
        if now - self._written_at < _EVERY_S:
            return
        self._written_at = now
        state = run.state()
        if state.loss.total != self._best_loss and now - self._best_at >= _BEST_EVERY_S:
            self._best_at, self._best_loss = now, state.loss.total
            self._number += 1
            seed = int(self._task.settings.get("seed", 0))
            provenance = {"settings": {"seed": seed}, "loss": state.loss.to_dict()}
            patch = Patch(self._structure, state.values, provenance, state.phases)
            patch.save(self._task.folder / BEST_FILE, overwrite=True)
        self._task.write(
            "progress",
            elapsed_s=round(state.elapsed_s, 3),
            evaluations=state.n_evaluations,
            seconds=state.seconds,
            evals=state.evals,
            loss=state.loss.total,
            terms=state.loss.terms,
            best=self._number,
        )


def _found(run: Path, result: MatchResult) -> dict[str, object]:
    """Describe the end of a search."""
    return {"run": run.name, "loss": result.end.total, "reason": result.stop_reason}


def match_target(task: Task) -> dict[str, object]:
    """Match a target, as `earwright match` does."""
    from matcher import load_target, match_and_save  # noqa: PLC0415
    from matcher.page.targets import quietly  # noqa: PLC0415
    from voice import load_structure  # noqa: PLC0415

    structure = load_structure(task.settings["structure"])
    # The page has shown the warnings with the target; run.json keeps them.
    with quietly():
        target = load_target(task.manifest)
    task.write("listening", text="compiling the voice takes half a minute once")
    result, run = match_and_save(
        target,
        structure=structure,
        **task.budget,
        seed=int(task.settings.get("seed", 0)),
        weights=task.settings.get("weights"),
        progress=False,
        stop=task.stop,
        watch=_Watcher(task, structure.name),
        command_line=_command(task.settings),
    )
    return _found(run.path, result)


def go_on(task: Task) -> dict[str, object]:
    """Go on with a match that was interrupted, or add to one that has ended."""
    from matcher import resume_match  # noqa: PLC0415

    result, run = resume_match(
        task.run,
        extend_seconds=task.budget["seconds"],
        extend_evals=task.budget["evals"],
        progress=False,
        stop=task.stop,
        watch=_Watcher(task, task.settings["structure"]),
    )
    return _found(run.path, result)


def refine_run(task: Task) -> dict[str, object]:
    """Search what isn't held, as `earwright refine` does; the result is a new version."""
    from matcher import refine  # noqa: PLC0415

    result = refine(
        task.run,
        hold=task.settings["hold"],
        set_values=task.settings["values"],
        **task.budget,
        note=task.settings["note"],
        progress=False,
        stop=task.stop,
        watch=_Watcher(task, task.settings["structure"]),
    )
    return _found(task.run, result)


def check_keyboard(task: Task) -> dict[str, object]:
    """Play a patch over the keyboard, as `earwright keyboard` does."""
    from matcher.explaining.keyboard import keyboard  # noqa: PLC0415

    keys = {name: task.settings[name] for name in ("low", "high")}
    step = int(task.settings["step"])
    found = keyboard(task.run, **keys, step=step, progress=False, stop=task.stop)
    return {"run": task.run.name, "n_findings": len(found.findings)}


def explain_run(task: Task) -> dict[str, object]:
    """Say what mattered, as `earwright explain` does; each finished section gives an event."""
    from matcher import explain  # noqa: PLC0415

    file = task.run / "explain.json"
    stop = task.stop_and_watch(
        lambda: file.stat().st_mtime_ns if file.is_file() else 0, "explained", run=task.run.name
    )
    found = explain(task.run, seconds=task.budget["seconds"], progress=False, stop=stop)
    return {"run": task.run.name, "reason": found.stop_reason}


def compare_structures(task: Task) -> dict[str, object]:
    """Compare structures on a target, as `earwright compare` does; each run gives an event."""
    from matcher import compare  # noqa: PLC0415
    from matcher.page.targets import quietly  # noqa: PLC0415

    parent = task.workspace.runs
    folders = (parent / f"compare-{task.settings['target']}-{n}" for n in itertools.count(1))
    folder = next(each for each in folders if not each.exists())
    task.write("comparing", comparison=folder.name)
    stop = task.stop_and_watch(
        lambda: len(list((folder / "jobs").glob("*.json"))), "compared", comparison=folder.name
    )
    with quietly():
        comparison = compare(
            [task.manifest],
            task.settings["structures"],
            seeds=int(task.settings["seeds"]),
            **task.budget,
            folder=folder,
            progress=False,
            stop=stop,
        )
    return {"comparison": folder.name, "n_finished": len(comparison.runs)}


def _command(settings: Mapping[str, Any]) -> list[str]:
    """Write the command that does the same."""
    words = ["earwright", "match", str(settings["manifest"])]
    for name in ("structure", "seconds", "evals", "seed"):
        if settings.get(name) is not None:
            words += ["--tries" if name == "evals" else f"--{name}", str(settings[name])]
    if settings.get("weights"):
        words += ["--weights", str(settings["weights"]).replace(" ", "-")]
    return words


TASKS: Mapping[str, Callable[[Task], dict[str, object]]] = {
    "match": match_target,
    "compare": compare_structures,
    "resume": go_on,
    "refine": refine_run,
    "explain": explain_run,
    "keyboard": check_keyboard,
}


def main(folder: Path) -> int:
    """Do what the job says, and write down how it ended."""
    from filelock import FileLock  # noqa: PLC0415  only where there are jobs

    with FileLock(folder / LOCK_FILE):
        # Others have the processor first, where the system knows that.
        if hasattr(os, "nice"):
            with contextlib.suppress(OSError):
                os.nice(_NICENESS)
        # Those of a job that was killed; comparisons have copies of recordings in them.
        remove_abandoned_folders()
        write_event(folder, "begun", pid=os.getpid())
        try:
            result = _do(folder)
        except KeyboardInterrupt:
            result = {"text": "Stopped before anything had been tried, so nothing is kept."}
        except Exception as error:  # noqa: BLE001  whatever it is, the page has to say so
            write_event(folder, "failed", text=_text_of(error))
            traceback.print_exc()
            return 1
        write_event(folder, "done", **result)
    return 0


def _do(folder: Path) -> dict[str, object]:
    """Run the task."""
    from matcher.interrupts import StopRequest  # noqa: PLC0415  after the first event

    document = json.loads((folder / JOB_FILE).read_text(encoding="utf-8"))
    with StopRequest() as request, _pressed_by(folder / STOP_FILE, request):
        task = Task(
            folder=folder,
            workspace=Workspace(Path.cwd()),
            settings=document["settings"],
            # Not the request itself: a stop of the page is no Ctrl-C.
            stop=request.__call__,
        )
        return TASKS[document["kind"]](task)


@contextlib.contextmanager
def _pressed_by(file: Path, request: StopRequest) -> Iterator[None]:
    """Take a file that appears for Ctrl-C, which reaches work that asks for no stop, too."""
    is_over = threading.Event()

    def watch() -> None:
        while not is_over.wait(_WATCH_S):
            if file.exists():
                request.press()
                return

    thread = threading.Thread(target=watch, daemon=True)
    thread.start()
    try:
        yield
    finally:
        is_over.set()
        thread.join()


def _text_of(error: Exception) -> str:
    """Say what went wrong; of our own errors the text, of others what they are."""
    from shared import EarwrightError  # noqa: PLC0415  after the first event

    if isinstance(error, EarwrightError):
        from matcher.page.workspace import without_commands  # noqa: PLC0415

        return without_commands(str(error))
    return f"An error of the program: {type(error).__name__}: {error}."


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
