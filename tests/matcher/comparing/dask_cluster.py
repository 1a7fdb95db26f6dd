"""A Dask scheduler and workers on loopback, as processes of their own."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

__all__ = ["Cluster"]

ROOT = Path(__file__).resolve().parents[3]
WAIT_S = 120.0


class Cluster:
    """A scheduler and workers as processes of their own.

    Parameters
    ----------
    folder : Path
        Where they may write.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.processes: dict[str, subprocess.Popen[bytes]] = {}
        self.address = ""

    def start(self, *names: str) -> None:
        """Start what isn't running: the scheduler, and workers of these names."""
        if not self.is_running("scheduler"):
            self.close()
            file = self.folder / "scheduler.json"
            file.unlink(missing_ok=True)
            options = ("--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(file))
            self.processes["scheduler"] = self._start("scheduler", *options)
            while not file.exists() or not file.read_text():
                self._pause("scheduler")
            self.address = json.loads(file.read_text())["address"]
        for name in names:
            if not self.is_running(name):
                # Without a nanny, which would start it again when it is killed.
                options = (self.address, "--no-nanny", "--nthreads", "1", "--name", name)
                self.processes[name] = self._start("worker", *options)

    def is_running(self, name: str) -> bool:
        """Say whether a process is there."""
        return name in self.processes and self.processes[name].poll() is None

    def kill(self, name: str) -> None:
        """Kill a worker, as a power cut does."""
        self.processes[name].send_signal(signal.SIGKILL)
        self.processes[name].wait(WAIT_S)

    def close(self) -> None:
        """End what we have started."""
        for process in self.processes.values():
            process.kill()
            process.wait(WAIT_S)
        self.processes.clear()

    def _start(self, kind: str, *options: str) -> subprocess.Popen[bytes]:
        """Start a process of Dask."""
        return subprocess.Popen(  # noqa: S603  our own cluster
            [sys.executable, "-m", f"distributed.cli.dask_{kind}", "--no-dashboard", *options],
            cwd=self.folder,
            # As on another machine: nothing but the packages is shared with us.
            env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "ignore"},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def _pause(self, name: str) -> None:
        """Give a process time to get on."""
        assert self.processes[name].poll() is None
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.processes[name].wait(0.05)
