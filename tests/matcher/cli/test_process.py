"""The command as a process of its own: streams, exit status, signals, start-up."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from matcher.runs.folder import load_run
from tests.matcher.cli.recordings_on_disk import write_note

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[3]
HEAVY = ("numpy", "numba", "scipy", "librosa", "optuna", "soundfile", "tqdm")
WAIT_S = 120.0


def _environment(**changes: str) -> dict[str, str]:
    """Return an environment in which the packages are found from anywhere."""
    return {**os.environ, "PYTHONPATH": str(ROOT), **changes}


def _run(*argv: str, cwd: Path, **changes: str) -> subprocess.CompletedProcess[bytes]:
    """Run the command and wait for it."""
    return subprocess.run(  # noqa: S603  our own command
        [sys.executable, "-m", "matcher.cli", *argv],
        cwd=cwd,
        env=_environment(**changes),
        capture_output=True,
        check=False,
        timeout=WAIT_S,
    )


@pytest.mark.parametrize("module", ["matcher", "matcher.cli"])
def test_both_modules_are_the_command(module: str, tmp_path: Path) -> None:
    """``python -m`` works where the script isn't installed."""
    done = subprocess.run(  # noqa: S603  our own command
        [sys.executable, "-m", module, "structures", "two"],
        cwd=tmp_path,
        env=_environment(),
        capture_output=True,
        check=False,
        timeout=WAIT_S,
    )
    assert done.returncode == 2
    assert done.stderr.startswith(b"earwright: ")


@pytest.mark.parametrize("argv", [["--help"], ["match", "--help"], ["--version"]])
def test_help_loads_nothing_heavy(argv: list[str], tmp_path: Path) -> None:
    """Help comes at once because not even numpy is imported for it."""
    code = (
        "import sys; from matcher.cli import main; status = main(sys.argv[1:]); "
        f"loaded = [m for m in {HEAVY!r} if m in sys.modules]; sys.exit(status or str(loaded))"
    )
    done = subprocess.run(  # noqa: S603  our own command
        [sys.executable, "-c", code, *argv],
        cwd=tmp_path,
        env=_environment(),
        capture_output=True,
        check=False,
        timeout=WAIT_S,
    )
    assert done.stderr.decode().strip() == "[]"


def test_json_is_alone_on_stdout(tmp_path: Path) -> None:
    """A pipe gets one object, whatever else is said; notes go to stderr."""
    write_note(tmp_path / "reed_C4.wav")
    done = _run(
        "match",
        "reed_C4.wav",
        "--tries",
        "32",
        "--search",
        "tpe-of-Optuna",
        "--json",
        cwd=tmp_path,
    )
    assert done.returncode == 0
    assert json.loads(done.stdout)["figures"]["evaluations"] == 32
    assert b"earwright: warning: reed_C4.wav: the name says C4" in done.stderr


def test_any_text_prints_in_a_plain_locale(tmp_path: Path) -> None:
    """LANG=C and text beyond ASCII: signs that can't be shown come as escapes."""
    (tmp_path / "mine.toml").write_text(
        'schema_version = 1\nname = "fl\u00f6te"\nmeaning = "My own."\n'
        '[free]\n"filter.cutoff_hz" = {}\n',
        encoding="utf-8",
    )
    write_note(tmp_path / "reed.wav")
    done = _run(
        *("match", "reed.wav", "--structure", "mine.toml", "--tries", "32"),
        cwd=tmp_path,
        LC_ALL="C",
        PYTHONUTF8="0",
        PYTHONCOERCECLOCALE="0",
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.isascii()
    assert rb"Patch (fl\xf6te, 1 setting)" in done.stdout
    assert (tmp_path / "runs" / "reed-fl_te-1" / "run.json").is_file()


def test_a_closed_pipe_is_no_error(tmp_path: Path) -> None:
    """``earwright structures complete | head -1`` ends without a complaint."""
    command = [sys.executable, "-m", "matcher.cli", "structures", "complete"]
    with subprocess.Popen(  # noqa: S603  our own command
        command, cwd=tmp_path, env=_environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(WAIT_S) == 141


def test_ctrl_c_ends_a_match_with_its_result(tmp_path: Path) -> None:
    """The best so far is written whole, and said; the exit status is the shell's."""
    write_note(tmp_path / "reed.wav")
    command = [sys.executable, "-m", "matcher.cli", "match", "reed.wav", "--seconds", "3600"]
    with subprocess.Popen(  # noqa: S603  our own command
        [*command, "--out", "out"],
        cwd=tmp_path,
        env=_environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        # Of a search in which nothing was tried, nothing is kept.
        while not (tmp_path / "out/searches/0001/all/state-0").exists():
            assert process.poll() is None
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(0.02)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=WAIT_S)
    assert process.returncode == 130, err
    run = load_run(tmp_path / "out")
    assert run.run["stop_reason"] == "interrupted"
    assert b"the best patch until then is in out" in err
    assert b"Traceback" not in err
    assert b"Hear both: out/" in out
