"""The page and its jobs, interrupted and then opened again."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import time
from typing import TYPE_CHECKING
from unittest import mock

from tests.benchmarks.interruption.commands import copied
from tests.benchmarks.interruption.looking import broken, left_over, tracebacks, versions_of
from tests.benchmarks.interruption.processes import LONGEST_S, WAYS, Finding, environment, wait
from tests.page_server import PageServer, serve_page

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["JOBS", "interrupt_page"]

# About how long a job of the page takes here.
JOB_S = 6.0
JOBS = ("match", "refine", "compare", "explain", "keyboard")


def interrupt_page(kind: str, way: str, who: str, share: float, folder: Path) -> Finding:
    """Interrupt the page or one of its jobs, and open the page again."""
    act, accepted = WAYS[way]
    faults: list[str] = []
    with copied(folder) as copy:
        environment(copy)
        (copy / "runs").mkdir()
        (copy / "run").rename(copy / "runs" / "run")
        before = versions_of(copy)
        after_s = JOB_S * share
        with _page(copy) as server:
            target = server.upload(copy / "reed.wav").document["name"]
            job = _start_job(server, kind, target)
            victim = server.process if who == "page" else _process_of(copy, job)
            time.sleep(after_s)
            act(victim)  # type: ignore[arg-type]
            status = wait(victim) if who == "page" and way != "suspend" else 0  # type: ignore[arg-type]
            if status not in {*accepted, 0}:
                faults.append(f"status {status}")
            faults += tracebacks("".join(server.lines))
        with _page(copy) as server:
            last = server.wait_for_job(job)[-1]["kind"]
            if last == "failed" or (last == "lost" and way == "suspend"):
                faults.append(f"the job is {last}")
            if last == "lost":
                job = _start_job(server, kind, target)
                last = server.wait_for_job(job)[-1]["kind"]
                faults += [] if last == "done" else [f"started again it is {last}"]
            state = server.ask("/api/state")
            faults += [] if state.status == 200 else [f"the page answers {state.status}"]
            faults += tracebacks("".join(server.lines))
        faults += broken(copy) + left_over(copy)
        after = versions_of(copy)
        faults += [
            f"{name} is lost or changed" for name in before if after.get(name) != before[name]
        ]
    return Finding(f"{who}, {kind}", way, after_s, status, 0 if not faults else 1, tuple(faults))


@contextlib.contextmanager
def _page(folder: Path) -> Iterator[PageServer]:
    """Serve the page with its temporary files in the folder, too; its jobs may go on."""
    with (
        mock.patch.dict(os.environ, {"TMPDIR": str(folder / "tmp")}),
        serve_page(folder) as server,
    ):
        yield server


def _start_job(server: PageServer, kind: str, target: str) -> str:
    """Start a job that takes some seconds, and wait until it has begun."""
    structures = {"structures": ["one-oscillator", "two-oscillator"], "seeds": 1}
    document = {
        "match": {"target": target, "structure": "one-oscillator", "evals": 500},
        "compare": {"target": target, "evals": 64, **structures},
        "refine": {"run": "run", "evals": 300},
        "explain": {"run": "run", "seconds": 4.0},
        "keyboard": {"run": "run", "low": "C2", "high": "C6"},
    }[kind]
    answer = server.post("/api/jobs", {"kind": kind, **document})
    if answer.status != 201:
        raise RuntimeError(f"{kind}: {answer.body!r}")
    return str(answer.document["name"])


class _Other:
    """The process of a job, which isn't ours: signals, and nothing else."""

    def __init__(self, pid: int) -> None:
        self.pid = pid

    def kill(self) -> None:
        """Kill it."""
        self._send(signal.SIGKILL)

    def terminate(self) -> None:
        """Ask it to end."""
        self._send(signal.SIGTERM)

    def poll(self) -> None:
        """Say nothing about how it ended."""

    def _send(self, number: int) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.pid, number)


def _process_of(folder: Path, job: str) -> _Other:
    """Find the process of a job, once it has said its number."""
    events = folder / "earwright-page" / "jobs" / job / "events.jsonl"
    end = time.monotonic() + LONGEST_S
    while time.monotonic() < end:
        with contextlib.suppress(OSError, IndexError, ValueError):
            return _Other(int(json.loads(events.read_text().splitlines()[0])["pid"]))
        time.sleep(0.02)
    raise RuntimeError(f"job {job} didn't begin")
