"""Long work in processes of its own, which outlive the window and the server.

A job is a folder: ``job.json`` says what to do, ``events.jsonl`` what has happened, ``lock`` is
held by the process as long as it lives, ``stop`` asks it to stop and keep what it has. Whoever
opens the workspace later finds all of that again.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from matcher.page._messages import EVENTS, LAST_KINDS, read_events
from shared import ParameterError, write_atomic
from shared.files import read_text_file

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from matcher.page.workspace import Workspace

__all__ = ["MAX_RUNNING", "Job", "JobBench"]

JOB_FILE = "job.json"
LOCK_FILE = "lock"
STOP_FILE = "stop"
LOG_FILE = "log.txt"
BEST_FILE = "best.json"
# Each search uses all cores; more of them at once only wait for each other.
MAX_RUNNING = 2
# Elsewhere a session does that: Ctrl-C of the server is not for the jobs.
_OWN_GROUP = getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)


@dataclass(frozen=True)
class Job:
    """What is known of a job.

    Parameters
    ----------
    name : str
        Its number.
    kind : str
        What it does: "match", "refine", ...
    title : str
        One line for the user.
    settings : mapping
        What it was given.
    state : str
        "starting", "running", "stopping", "done", "failed", or "lost" if its process is gone
        without a word.
    last : mapping
        Its last event of each kind.
    """

    name: str
    kind: str
    title: str
    settings: Mapping[str, Any]
    state: str
    last: Mapping[str, Any] = field(default_factory=dict)

    @property
    def is_over(self) -> bool:
        """Whether nothing more will come."""
        return self.state in {"done", "failed", "lost"}

    def to_dict(self) -> dict[str, object]:
        """Return what the page shows."""
        return {
            "name": self.name,
            "kind": self.kind,
            "title": self.title,
            "settings": dict(self.settings),
            "state": self.state,
            "last": dict(self.last),
        }


class JobBench:
    """The jobs of a workspace.

    Parameters
    ----------
    workspace : Workspace
        Where they work.
    """

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._own: dict[str, subprocess.Popen[bytes]] = {}
        self._starting: set[str] = set()
        self._lock = threading.Lock()
        self._trying = threading.Lock()
        self._read: dict[str, tuple[int, dict[str, Any]]] = {}
        self._reading = threading.Lock()

    def start(self, kind: str, title: str, settings: Mapping[str, object]) -> Job:
        """Start a job.

        Parameters
        ----------
        kind : str
            A name of `matcher.page._tasks.TASKS`.
        title : str
            One line for the user.
        settings : mapping
            What the task takes; JSON must be able to hold it.

        Returns
        -------
        Job
            The job, whose process has just been started.

        Raises
        ------
        ParameterError
            If as many jobs run already as are good for the machine.
        """
        with self._lock:
            running = [job for job in self.list_all() if not job.is_over]
            if len(running) >= MAX_RUNNING:
                raise ParameterError(
                    f"{len(running)} searches are running; {MAX_RUNNING} at once are accepted. "
                    "Stop one, or wait until it ends.",
                    name="jobs",
                    value=len(running),
                )
            folder = self._new_folder()
            document = {
                "kind": kind,
                "title": title,
                "settings": dict(settings),
                "started": time.time(),
            }
            text = json.dumps(document, indent=2) + "\n"
            # Others may look at the job as soon as its file is there.
            self._starting.add(folder.name)
            try:
                write_atomic(folder / JOB_FILE, text, overwrite=False)
                self._own[folder.name] = self._spawn(folder)
            finally:
                self._starting.discard(folder.name)
        return self.get(folder.name)

    def list_all(self) -> list[Job]:
        """List the jobs, newest first."""
        names = self._workspace.names(self._workspace.jobs, JOB_FILE)
        numbers = sorted((name for name in names if name.isdecimal()), key=int, reverse=True)
        return [self.get(name) for name in numbers]

    def get(self, name: str) -> Job:
        """Look a job up.

        Parameters
        ----------
        name : str
            Its number.

        Returns
        -------
        Job
            As it stands now.

        Raises
        ------
        ParameterError
            If there is no such job.
        """
        folder = self.folder(name)
        document = _read_document(folder)
        # Asked for before the events are read: a process that ends in between has said so.
        is_alive = self._is_alive(folder)
        last = self._last_events(name, folder)
        return Job(
            name=name,
            kind=document["kind"],
            title=document["title"],
            settings=document["settings"],
            state=self._state(folder, last, is_alive=is_alive),
            last=last,
        )

    def _last_events(self, name: str, folder: Path) -> dict[str, Any]:
        """Return the last event of each kind; only what is new is read."""
        with self._reading:
            place, last = self._read.get(name, (0, {}))
            events, place = read_events(folder, place)
            last = {**last, **{str(event["kind"]): event for event in events}}
            self._read[name] = place, last
        return dict(last)

    def folder(self, name: str) -> Path:
        """Find the folder of a job."""
        folder = self._workspace.existing(self._workspace.jobs, name)
        if not (folder / JOB_FILE).is_file():
            raise ParameterError(f'there is no job "{name[:20]}".', name="job", value=name)
        return folder

    def stop(self, name: str) -> None:
        """Ask a job to stop and to keep what it has found.

        Parameters
        ----------
        name : str
            Its number.
        """
        (self.folder(name) / STOP_FILE).touch()

    def _state(self, folder: Path, last: Mapping[str, object], *, is_alive: bool) -> str:
        """Say how a job stands."""
        for kind in LAST_KINDS:
            if kind in last:
                return kind
        if not is_alive:
            return "lost"
        if (folder / STOP_FILE).exists():
            return "stopping"
        return "running" if (folder / EVENTS).exists() else "starting"

    def _is_alive(self, folder: Path) -> bool:
        """Say whether the process of a job lives: it is ours, or it holds its lock."""
        from filelock import FileLock, Timeout  # noqa: PLC0415  only where there are jobs

        own = self._own.get(folder.name)
        if own is not None:
            return own.poll() is None
        if folder.name in self._starting:
            return True
        # One at a time: who tries the lock has it for a moment, and would be taken for the job.
        with self._trying:
            try:
                with FileLock(folder / LOCK_FILE).acquire(blocking=False):
                    return False
            except Timeout:
                return True

    def _new_folder(self) -> Path:
        """Make a folder with the next number."""
        jobs = self._workspace.jobs
        jobs.mkdir(parents=True, exist_ok=True)
        numbers = [int(entry.name) for entry in jobs.iterdir() if entry.name.isdecimal()]
        number = max(numbers, default=0)
        while True:
            number += 1
            folder = jobs / str(number)
            try:
                folder.mkdir()
            except FileExistsError:
                continue
            return folder

    def _spawn(self, folder: Path) -> subprocess.Popen[bytes]:
        """Start the process of a job, in a session of its own: Ctrl-C of the server is not its."""
        with (folder / LOG_FILE).open("wb") as log:
            return subprocess.Popen(  # noqa: S603  our own module
                [sys.executable, "-m", "matcher.page._work", str(folder)],
                cwd=self._workspace.root,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
                creationflags=_OWN_GROUP,
            )


def _read_document(folder: Path) -> dict[str, Any]:
    """Read what a job was told; one whose file is damaged stays in the list, and says so."""
    try:
        document = json.loads(read_text_file(folder / JOB_FILE))
        kind, title, settings = (document[name] for name in ("kind", "title", "settings"))
        if isinstance(kind, str) and isinstance(title, str) and isinstance(settings, dict):
            return {"kind": kind, "title": title, "settings": settings}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        pass
    return {"kind": "unknown", "title": f"{folder.name}/{JOB_FILE} is damaged", "settings": {}}
