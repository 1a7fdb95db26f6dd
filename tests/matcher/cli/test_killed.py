"""Real processes: killed at any moment, out of room, two at once."""

from __future__ import annotations

import functools
import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

import matcher.runs.searches
from matcher.cli import main
from matcher.optimise import SearchRecord
from matcher.runs import list_versions
from matcher.runs.folder import load_run
from matcher.search.checkpoint import Checkpoint
from shared import RunFolderError
from tests.matcher.cli.recordings_on_disk import write_note

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

ROOT = Path(__file__).resolve().parents[3]
WAIT_S = 120.0
SETTINGS = ("--evals", "700", "--structure", "two-oscillator", "--seed", "6", "--quiet")
N_KILLS = 20


def _start(argv: Sequence[str], cwd: Path) -> subprocess.Popen[bytes]:
    """Start the command as a process of its own."""
    return subprocess.Popen(  # noqa: S603  our own command
        [sys.executable, "-m", "matcher.cli", *argv],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def _wait_for(process: subprocess.Popen[bytes], is_so: Callable[[], bool]) -> None:
    """Wait until something is so, while a process runs."""
    began = time.monotonic()
    while not is_so():
        assert process.poll() is None, process.communicate()
        assert time.monotonic() - began < WAIT_S
        time.sleep(0.002)


def _fork(
    argv: Sequence[str], cwd: Path, *, room_bytes: int | None = None, said: Path | None = None
) -> int:
    """Start the command in a copy of this process, in which everything is loaded and compiled.

    With `room_bytes`, no file may grow over that once the search has begun, as on a full disk.
    """
    process = os.fork()
    if process == 0:
        try:
            os.chdir(cwd)
            sys.stdout = sys.stderr = (said or Path(os.devnull)).open("w", encoding="utf-8")
            make = functools.partial(_limited, room_bytes)
            matcher.runs.searches.Checkpoint = make  # type: ignore[misc,assignment]
            status = main(argv)
            sys.stdout.flush()
            os._exit(status)
        finally:
            os._exit(99)
    return process


def _limited(room_bytes: int | None, folder: Path, **options: Path | None) -> Checkpoint:
    """Make a checkpoint that saves after each batch: a kill finds it at work most often then."""
    if room_bytes is not None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (room_bytes, room_bytes))
    return Checkpoint(folder, every_s=0.0, **options)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a folder with a recording and the run that nothing interrupts."""
    folder = tmp_path_factory.mktemp("desk")
    write_note(folder / "reed.wav")
    with _start(
        ["match", "reed.wav", *SETTINGS, "--out", "whole", "--no-report"], folder
    ) as whole:
        assert whole.wait(WAIT_S) == 0
    return folder


# Only the thread that forks goes on in the child, and none of the others is needed there.
@pytest.mark.filterwarnings("ignore:.*multi-threaded:DeprecationWarning")
def test_a_match_killed_twenty_times_gives_the_same_patch(
    desk: Path, rng: np.random.Generator
) -> None:
    """With kill -9 at 20 random moments and going on, patch, record and versions are the same.

    The moments are spread over the whole search by the size of what it has saved so far, and lie
    anywhere within its batches, its writing, and its start.
    """
    rows = desk / "cut" / "searches" / "0001" / "all" / "rows.f64"
    row_bytes = 8 * SearchRecord.from_npz(desk / "whole" / "record.npz").rows().shape[1]
    places = np.sort(rng.integers(0, 660, N_KILLS))
    for i, place in enumerate(places):
        argv = (
            ["match", "--resume", "cut"] if i else ["match", "reed.wav", *SETTINGS, "--out", "cut"]
        )
        process = _fork([*argv, "--no-report"], desk)
        began = time.monotonic()
        while not (rows.exists() and rows.stat().st_size >= place * row_bytes):
            assert os.waitpid(process, os.WNOHANG) == (0, 0)
            assert time.monotonic() - began < WAIT_S
            time.sleep(0.002)
        time.sleep(rng.uniform(0.0, 0.05))
        os.kill(process, signal.SIGKILL)
        assert os.WIFSIGNALED(os.waitpid(process, 0)[1])
    assert not (desk / "cut" / "run.json").exists()
    assert main(["match", "--resume", str(desk / "cut"), "--no-report", "--quiet"]) == 0
    cut, whole = load_run(desk / "cut"), load_run(desk / "whole")
    assert cut.patch == whole.patch
    assert [v.patch for v in list_versions(cut.path)] == [
        v.patch for v in list_versions(whole.path)
    ]
    records = [SearchRecord.from_npz(run.record) for run in (cut, whole)]
    np.testing.assert_array_equal(records[0].candidates, records[1].candidates)
    np.testing.assert_array_equal(records[0].losses, records[1].losses)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=["Ctrl-C", "TERM"])
def test_a_signal_leaves_a_search_to_go_on_with(number: int, desk: Path, tmp_path: Path) -> None:
    """The best so far is a whole run, and going on ends in the same patch as in one go."""
    out = tmp_path / "out"
    argv = ["match", "reed.wav", *SETTINGS, "--out", str(out), "--no-report"]
    with _start(argv, desk) as process:
        _wait_for(process, (out / "searches/0001/all/state-1").exists)
        process.send_signal(number)
        process.communicate(timeout=WAIT_S)
    assert process.returncode == 128 + number
    assert load_run(out).run["stop_reason"] == "interrupted"
    assert main(["match", "--resume", str(out), "--quiet", "--no-report"]) == 0
    assert load_run(out).patch == load_run(desk / "whole").patch


def test_ctrl_c_twice_stops_as_once(desk: Path, tmp_path: Path) -> None:
    """People press it again when nothing seems to happen; the best is written all the same."""
    out = tmp_path / "out"
    argv = ["match", "reed.wav", *SETTINGS, "--out", str(out), "--no-report"]
    with _start(argv, desk) as process:
        _wait_for(process, (out / "searches/0001/all/state-1").exists)
        process.send_signal(signal.SIGINT)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=WAIT_S)
    assert process.returncode == 130
    assert b"Traceback" not in said
    assert load_run(out).run["stop_reason"] == "interrupted"


@pytest.mark.filterwarnings("ignore:.*multi-threaded:DeprecationWarning")
def test_a_suspended_match_goes_on(desk: Path, tmp_path: Path) -> None:
    """Stopped and continued, as by closing a lid: the same patch in the end."""
    out = tmp_path / "out"
    process = _fork(["match", "reed.wav", *SETTINGS, "--out", str(out), "--no-report"], desk)
    began = time.monotonic()
    while not (out / "searches/0001/all/state-1").exists():
        assert os.waitpid(process, os.WNOHANG) == (0, 0)
        assert time.monotonic() - began < WAIT_S
        time.sleep(0.002)
    os.kill(process, signal.SIGSTOP)
    assert os.WIFSTOPPED(os.waitpid(process, os.WUNTRACED)[1])
    os.kill(process, signal.SIGCONT)
    assert os.waitstatus_to_exitcode(os.waitpid(process, 0)[1]) == 0
    assert load_run(out).patch == load_run(desk / "whole").patch


@pytest.mark.filterwarnings("ignore:.*multi-threaded:DeprecationWarning")
def test_a_full_disk_costs_no_search(desk: Path, tmp_path: Path) -> None:
    """Where files can't grow, the result is told; with room again the rest is searched anew."""
    out = tmp_path / "out"
    settings = [text for text in SETTINGS if text != "--quiet"]
    process = _fork(
        ["match", "reed.wav", *settings, "--out", str(out), "--no-report"], desk,
        room_bytes=100_000, said=tmp_path / "said",
    )  # fmt: skip
    assert os.waitstatus_to_exitcode(os.waitpid(process, 0)[1]) == 2
    said = (tmp_path / "said").read_text()
    assert "Traceback" not in said
    assert "note: the search can't be saved" in said
    assert "Patch (two-oscillator)" in said
    assert "can't be written: File too large" in said.splitlines()[-1]
    with pytest.raises(RunFolderError):
        load_run(out)
    # What was saved is less than what was searched.
    assert (out / "searches/0001/all/rows.f64").stat().st_size <= 100_000
    assert main(["match", "--resume", str(out), "--quiet", "--no-report"]) == 0
    assert load_run(out).patch == load_run(desk / "whole").patch


def test_of_two_commands_the_second_is_told(
    desk: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """While a match runs, nothing else changes its folder; the match isn't disturbed."""
    out = tmp_path / "out"
    argv = ["match", "reed.wav", "--seconds", "600", "--out", str(out), "--no-report"]
    with _start(argv, desk) as process:
        _wait_for(process, (out / "searches/0001/all/state-0").exists)
        capsys.readouterr()
        for second in (
            ["match", "--resume", str(out)],
            ["match", str(desk / "reed.wav"), "--out", str(out), "--force", "--evals", "8"],
            ["refine", "--resume", str(out)],
        ):
            assert main(second) == 2
            assert f"{out} is in use by another command" in capsys.readouterr().err
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=WAIT_S)
    assert process.returncode == 130
    assert load_run(out).run["stop_reason"] == "interrupted"
    assert main(["keep", str(out), "done"]) == 0
