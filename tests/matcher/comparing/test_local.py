"""Runs in processes of this machine: no more threads than cores, and no run is lost."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import psutil
import pytest
from hypothesis import given
from hypothesis import strategies as st

from matcher.comparing.local import run_locally
from matcher.comparing.running import share_cores
from shared import usable_cores
from tests.matcher.comparing.small_jobs import small_plan, write_notes

if TYPE_CHECKING:
    from matcher.comparing.jobs import JobReport
    from matcher.comparing.planning import Job, Plan
    from matcher.comparing.sources import Recordings

ROOT = Path(__file__).resolve().parents[3]
WAIT_S = 120.0


@given(st.integers(1, 10_000), st.integers(1, 512))
def test_cores_are_never_oversubscribed(n_jobs: int, n_cores: int) -> None:
    """Processes times threads stay within the cores, and no process is without a job."""
    n_processes, n_threads = share_cores(n_jobs, n_cores)
    assert 1 <= n_processes * n_threads <= n_cores
    assert 1 <= n_processes <= n_jobs
    # Less than one more thread for each process is left idle.
    assert n_processes * (n_threads + 1) > n_cores


@pytest.mark.slow
def test_a_process_that_dies_takes_no_run_with_it(tmp_path: Path) -> None:
    """One of two processes is killed at work: all runs come, as if nothing had been."""
    jobs = _with_recordings(small_plan(tmp_path, seeds=2))
    killed: list[int] = []

    def kill_once() -> bool:
        children = multiprocessing.active_children()
        if children and not killed:
            pid = children[0].pid
            assert pid is not None
            os.kill(pid, signal.SIGKILL)
            killed.append(pid)
        return False

    reports = list(run_locally(iter(jobs), n_processes=2, n_threads=1, stop=kill_once))
    alone = list(run_locally(iter(jobs[:1]), n_processes=1, n_threads=1, stop=lambda: False))
    assert killed
    assert set(_losses(reports)) == {job.key for job, _ in jobs}
    assert _losses(alone).items() <= _losses(reports).items()
    assert multiprocessing.active_children() == []


@pytest.mark.slow
def test_work_stops_between_batches(tmp_path: Path) -> None:
    """Once asked to stop, runs at work end without a result and none begins."""
    jobs = _with_recordings(small_plan(tmp_path, seeds=3, evals=1_000_000))
    asked: list[bool] = []

    def stop() -> bool:
        asked.append(bool(multiprocessing.active_children()))
        return len(asked) > 1

    reports = list(run_locally(iter(jobs), n_processes=2, n_threads=1, stop=stop))
    assert any(asked)
    assert [report.outcome for report in reports] == [None] * len(reports)
    assert multiprocessing.active_children() == []


@pytest.mark.slow
@pytest.mark.skipif(usable_cores() < 2, reason="needs two cores for two processes")
def test_processes_end_with_their_parent(tmp_path: Path) -> None:
    """After ``kill -9`` of the command no process of it is left to eat the machine."""
    write_notes(tmp_path, "reed_A3.wav")
    command = [sys.executable, "-m", "matcher.cli", "compare", "reed_A3.wav", "--seconds", "3600"]
    with subprocess.Popen(  # noqa: S603  our own command
        [*command, "-s", "one-oscillator", "--seeds", "2", "--processes", "2", "--out", "out"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as process:
        children: list[psutil.Process] = []
        # At work once they have loaded what a search needs.
        while sum(_has_loaded(child, "_multiarray_umath") for child in children) < 2:
            assert process.poll() is None
            children = psutil.Process(process.pid).children(recursive=True)
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(0.05)
        process.kill()
        process.wait(WAIT_S)
    _, alive = psutil.wait_procs(children, timeout=WAIT_S)
    assert alive == []


def _with_recordings(plan: Plan) -> list[tuple[Job, Recordings]]:
    """Read what the jobs of a plan need."""
    return [(job, job.target.read()) for job in plan.jobs()]


def _losses(reports: list[JobReport]) -> dict[str, float]:
    """Return the final losses by key."""
    return {r.key: r.outcome.final.total for r in reports if r.outcome is not None}


def _has_loaded(process: psutil.Process, library: str) -> bool:
    """Say whether a process has a library in its memory."""
    with contextlib.suppress(psutil.Error):
        return any(library in area.path for area in process.memory_maps())
    return False
