"""Processes that are interrupted: starting them, the ways of doing so, and how it went."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

__all__ = ["LONGEST_S", "WAYS", "Finding", "environment", "run", "start", "wait"]

ROOT = Path(__file__).resolve().parents[3]
LONGEST_S = 240.0


@dataclass(frozen=True)
class Finding:
    """How one interruption went: when, exit statuses, and what is wrong."""

    command: str
    way: str
    after_s: float
    status: int
    next_status: int
    faults: tuple[str, ...]


def _kill(process: subprocess.Popen[str]) -> None:
    process.kill()


def _ask_to_end(process: subprocess.Popen[str]) -> None:
    process.terminate()


def _send(process: subprocess.Popen[str], number: int) -> None:
    """Send a signal to the whole group of a process, if it leads one, as a terminal does."""
    with contextlib.suppress(ProcessLookupError):
        is_leader = os.getpgid(process.pid) == process.pid
        (os.killpg if is_leader else os.kill)(process.pid, number)


def _press_twice(process: subprocess.Popen[str]) -> None:
    """As a terminal does: the signal goes to every process of the command."""
    _send(process, signal.SIGINT)
    time.sleep(0.1)
    if process.poll() is None:
        _send(process, signal.SIGINT)


def _suspend(process: subprocess.Popen[str]) -> None:
    """Stop it for a moment."""
    _send(process, signal.SIGSTOP)
    time.sleep(0.3)
    _send(process, signal.SIGCONT)


# With what a command may end then: 128 plus the signal where it is answered, minus the signal
# where it isn't, 0 if the command was done.
WAYS: dict[str, tuple[Callable[[subprocess.Popen[str]], None], set[int]]] = {
    "kill -9": (_kill, {-signal.SIGKILL, 0}),
    "TERM": (_ask_to_end, {128 + signal.SIGTERM, -signal.SIGTERM, 0}),
    "Ctrl-C twice": (_press_twice, {128 + signal.SIGINT, -signal.SIGINT, 0}),
    "suspend": (_suspend, {0}),
}


def environment(folder: Path) -> dict[str, str]:
    """Return the environment of a command; its temporary files are looked for afterwards."""
    (folder / "tmp").mkdir(exist_ok=True)
    return {**os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": str(folder / "tmp")}


def start(words: Sequence[str], folder: Path) -> subprocess.Popen[str]:
    """Start a command in a session of its own; what it complains about goes to a file."""
    with (folder / "stderr").open("w") as said:
        return subprocess.Popen(  # noqa: S603  our own command
            [sys.executable, "-m", "matcher.cli", *words],
            cwd=folder,
            env=environment(folder),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=said,
            text=True,
            start_new_session=True,
        )


def run(words: Sequence[str], folder: Path) -> tuple[int, str]:
    """Run a command to its end."""
    process = start(words, folder)
    status = wait(process)
    return status, (folder / "stderr").read_text()


def wait(process: subprocess.Popen[str]) -> int:
    """Wait for a process; one that hangs is a fault, and is ended."""
    try:
        return process.wait(LONGEST_S)
    except subprocess.TimeoutExpired:
        _send(process, signal.SIGKILL)
        process.wait()
        return 999
