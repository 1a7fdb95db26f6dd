"""Processes of their own: killed at any moment, out of room, two at once."""

from __future__ import annotations

import functools
import os
import resource
import signal
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

WAIT_S = 120.0
SETTINGS = ("--tries", "400", "--structure", "one-oscillator", "--seed", "6", "--quiet")
N_KILLS = 12
# What a search has written once it is at work.
BEGUN = "searches/0001/all/state-1"

# Only the thread that forks goes on in the child, and none of the others is needed there.
pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore:.*multi-threaded:DeprecationWarning"),
]


def _wait_for(process: int, is_so: Callable[[], bool]) -> None:
    """Wait until something is so, while a process runs."""
    began = time.monotonic()
    while not is_so():
        assert os.waitpid(process, os.WNOHANG) == (0, 0)
        assert time.monotonic() - began < WAIT_S
        time.sleep(0.002)


def _status(process: int) -> int:
    """Wait for the end of a process; a signal that killed it is negative."""
    return os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])


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
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a folder with a recording and the run that nothing interrupts."""
    made = tmp_path_factory.mktemp("made")
    recording = str(write_note(made / "reed.wav"))
    argv = ["match", recording, *SETTINGS, "--out", str(made / "whole"), "--no-report"]
    assert main(argv) == 0
    return made


def test_a_match_killed_many_times_gives_the_same_patch(
    folder: Path, rng: np.random.Generator
) -> None:
    """With kill -9 at random moments and going on, patch, record and versions are the same.

    The moments are spread over the whole search by the size of what it has saved so far, and lie
    anywhere within its batches, its writing, and its start.
    """
    rows = folder / "cut" / "searches" / "0001" / "all" / "rows.f64"
    row_bytes = 8 * SearchRecord.from_npz(folder / "whole" / "record.npz").rows().shape[1]
    places = np.sort(rng.integers(0, 360, N_KILLS))
    for i, place in enumerate(places):
        argv = (
            ["match", "--resume", "cut"] if i else ["match", "reed.wav", *SETTINGS, "--out", "cut"]
        )
        process = _fork([*argv, "--no-report"], folder)
        wanted = int(place) * row_bytes
        _wait_for(process, lambda size=wanted: rows.exists() and rows.stat().st_size >= size)
        time.sleep(rng.uniform(0.0, 0.05))
        os.kill(process, signal.SIGKILL)
        assert _status(process) == -signal.SIGKILL
    assert not (folder / "cut" / "run.json").exists()
    assert main(["match", "--resume", str(folder / "cut"), "--no-report", "--quiet"]) == 0
    cut, whole = load_run(folder / "cut"), load_run(folder / "whole")
    assert cut.patch == whole.patch
    assert [v.patch for v in list_versions(cut.path)] == [
        v.patch for v in list_versions(whole.path)
    ]
    records = [SearchRecord.from_npz(run.record) for run in (cut, whole)]
    np.testing.assert_array_equal(records[0].candidates, records[1].candidates)
    np.testing.assert_array_equal(records[0].losses, records[1].losses)


@pytest.mark.parametrize(
    "signals",
    [[signal.SIGINT], [signal.SIGTERM], [signal.SIGINT, signal.SIGINT]],
    ids=["Ctrl-C", "TERM", "Ctrl-C twice"],
)
def test_a_signal_leaves_a_search_to_go_on_with(
    signals: list[int], folder: Path, tmp_path: Path
) -> None:
    """The best so far is a whole run, and going on ends in the same patch as in one go.

    People press Ctrl-C again when nothing seems to happen; that stops as once.
    """
    out = tmp_path / "out"
    argv = ["match", "reed.wav", *SETTINGS, "--out", str(out), "--no-report"]
    process = _fork(argv, folder, said=tmp_path / "said")
    _wait_for(process, (out / BEGUN).exists)
    for number in signals:
        os.kill(process, number)
    assert _status(process) == 128 + signals[0]
    assert "Traceback" not in (tmp_path / "said").read_text()
    assert load_run(out).run["stop_reason"] == "interrupted"
    assert main(["match", "--resume", str(out), "--quiet", "--no-report"]) == 0
    assert load_run(out).patch == load_run(folder / "whole").patch


def test_a_suspended_match_goes_on(folder: Path, tmp_path: Path) -> None:
    """Stopped and continued, as by closing a lid: the same patch in the end."""
    out = tmp_path / "out"
    process = _fork(["match", "reed.wav", *SETTINGS, "--out", str(out), "--no-report"], folder)
    _wait_for(process, (out / BEGUN).exists)
    os.kill(process, signal.SIGSTOP)
    assert os.WIFSTOPPED(os.waitpid(process, os.WUNTRACED)[1])
    os.kill(process, signal.SIGCONT)
    assert _status(process) == 0
    assert load_run(out).patch == load_run(folder / "whole").patch


def test_a_full_disk_costs_no_search(folder: Path, tmp_path: Path) -> None:
    """Where files can't grow, the result is told; with room again the rest is searched anew."""
    out = tmp_path / "out"
    settings = [text for text in SETTINGS if text != "--quiet"]
    process = _fork(
        ["match", "reed.wav", *settings, "--out", str(out), "--no-report"], folder,
        room_bytes=50_000, said=tmp_path / "said",
    )  # fmt: skip
    assert _status(process) == 2
    said = (tmp_path / "said").read_text()
    assert "Traceback" not in said
    assert "earwright: warning: the search can't be saved" in said
    assert "Patch (one-oscillator)" in said
    assert "can't be written: File too large" in said.splitlines()[-1]
    with pytest.raises(RunFolderError):
        load_run(out)
    # What was saved is less than what was searched.
    assert (out / "searches/0001/all/rows.f64").stat().st_size <= 50_000
    assert main(["match", "--resume", str(out), "--quiet", "--no-report"]) == 0
    assert load_run(out).patch == load_run(folder / "whole").patch


def test_of_two_commands_the_second_is_told(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """While a match runs, nothing else changes its folder; the match isn't disturbed."""
    out = tmp_path / "out"
    argv = ["match", "reed.wav", "--seconds", "600", "--structure", "one-oscillator"]
    process = _fork([*argv, "--out", str(out), "--no-report"], folder)
    _wait_for(process, (out / BEGUN).exists)
    capsys.readouterr()
    for second in (
        ["match", "--resume", str(out)],
        ["match", str(folder / "reed.wav"), "--out", str(out), "--force", "--tries", "8"],
        ["refine", "--resume", str(out)],
    ):
        assert main(second) == 2
        assert f"{out} is in use by another command" in capsys.readouterr().err
    os.kill(process, signal.SIGINT)
    assert _status(process) == 130
    assert load_run(out).run["stop_reason"] == "interrupted"
    assert main(["keep", str(out), "done"]) == 0
