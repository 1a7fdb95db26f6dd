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
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

from shared import ParameterError, write_atomic
from shared.documents import to_builtins
from shared.files import read_text_file

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from matcher.page.workspace import Workspace

JOB_FILE = "job.json"
EVENTS_FILE = "events.jsonl"
LOCK_FILE = "lock"
STOP_FILE = "stop"
LOG_FILE = "log.txt"
BEST_FILE = "best.json"
# After one of these events nothing more comes.
LAST_KINDS = frozenset({"done", "failed"})
# Each search uses all cores; more of them at once only wait for each other.
MAX_RUNNING = 2
_MAX_READ_BYTES = 16_000_000
# Elsewhere `start_new_session` does that: Ctrl-C of the server is not for the jobs.
_OWN_GROUP = getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)


@dataclass(frozen=True)
class Job:
    """What is known of a job; `last` is its last event of each kind.

    Its state is "starting", "running", "stopping", "done", "failed", or "lost" if its process is
    gone without a word.
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
        return asdict(self)


class PageJobs:
    """The jobs of a workspace."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._own: dict[str, subprocess.Popen[bytes]] = {}
        self._starting: set[str] = set()
        self._lock = threading.Lock()
        self._trying = threading.Lock()
        self._read: dict[str, tuple[int, dict[str, Any]]] = {}
        self._reading = threading.Lock()

    def start(self, kind: str, title: str, settings: Mapping[str, object]) -> Job:
        """Start a job, if no more run already than are good for the machine.

        `kind` is one of `matcher.page.tasks`; JSON must be able to hold the settings.
        """
        with self._lock:
            running = [job for job in self.list_all() if not job.is_over]
            if len(running) >= MAX_RUNNING:
                raise ParameterError(
                    f"{len(running)} searches are running, which is the most at once. "
                    "Stop one, or wait until it ends.",
                    name="jobs",
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
        """Look a job up."""
        folder = self.folder(name)
        document = _read_document(folder)
        # Asked for before the events are read: a process that ends in between has said so.
        is_alive = self._is_alive(folder)
        last = self._last_events(name, folder)
        return Job(name, **document, state=_state(folder, last, is_alive=is_alive), last=last)

    def folder(self, name: str) -> Path:
        """Find the folder of a job."""
        folder = self._workspace.existing(self._workspace.jobs, name)
        if not (folder / JOB_FILE).is_file():
            raise ParameterError(f'there is no job "{name[:20]}".', name="job")
        return folder

    def stop(self, name: str) -> None:
        """Ask a job to stop and to keep what it has found."""
        (self.folder(name) / STOP_FILE).touch()

    def _last_events(self, name: str, folder: Path) -> dict[str, Any]:
        """Return the last event of each kind; only what is new is read."""
        with self._reading:
            place, last = self._read.get(name, (0, {}))
            events, place = read_events(folder, place)
            last = {**last, **{str(event["kind"]): event for event in events}}
            self._read[name] = place, last
        return dict(last)

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
        """Start the process of a job."""
        with (folder / LOG_FILE).open("wb") as log:
            return subprocess.Popen(  # noqa: S603  our own module
                [sys.executable, "-m", "matcher.page.tasks", str(folder)],
                cwd=self._workspace.root,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
                creationflags=_OWN_GROUP,
            )


def write_event(folder: Path, kind: str, **fields: object) -> None:
    """Write one event of a job, whole, at once."""
    document = to_builtins({"kind": kind, **fields})
    line = json.dumps(document, ensure_ascii=True, allow_nan=False)
    with (folder / EVENTS_FILE).open("a", encoding="ascii") as file:
        file.write(f"{line}\n")


def read_events(folder: Path, offset: int = 0) -> tuple[list[dict[str, Any]], int]:
    """Read the whole lines from a place in the file on, and the place to go on from."""
    path = folder / EVENTS_FILE
    try:
        size = path.stat().st_size
        if size <= offset or offset < 0:
            return [], offset
        with path.open("rb") as file:
            file.seek(offset)
            data = file.read(min(size - offset, _MAX_READ_BYTES))
    except FileNotFoundError:
        return [], offset
    end = data.rfind(b"\n") + 1
    events = []
    place = offset
    for line in data[:end].splitlines(keepends=True):
        place += len(line)
        try:
            event = json.loads(line)
        except (ValueError, RecursionError):
            # A process that was killed while writing leaves half a line before the next one.
            continue
        if isinstance(event, dict) and isinstance(event.get("kind"), str):
            events.append({**event, "next": place})
    return events, offset + end


def _state(folder: Path, last: Mapping[str, object], *, is_alive: bool) -> str:
    """Say what a job is doing."""
    for kind in LAST_KINDS:
        if kind in last:
            return kind
    if not is_alive:
        return "lost"
    if (folder / STOP_FILE).exists():
        return "stopping"
    return "running" if (folder / EVENTS_FILE).exists() else "starting"


def _read_document(folder: Path) -> dict[str, Any]:
    """Read what a job has to do; one whose file is damaged stays in the list, and says so."""
    try:
        document = json.loads(read_text_file(folder / JOB_FILE))
        kind, title, settings = (document[name] for name in ("kind", "title", "settings"))
        if isinstance(kind, str) and isinstance(title, str) and isinstance(settings, dict):
            return {"kind": kind, "title": title, "settings": settings}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        pass
    return {"kind": "unknown", "title": f"{folder.name}/{JOB_FILE} is damaged", "settings": {}}
