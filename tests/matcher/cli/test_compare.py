"""``earwright compare`` and ``earwright batch`` as commands."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from matcher import load_comparison
from matcher.cli import main
from tests.matcher.comparing.small_jobs import write_notes

if TYPE_CHECKING:
    from collections.abc import Sequence

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::shared.errors.EarwrightWarning"),
]

ROOT = Path(__file__).resolve().parents[3]
WAIT_S = 120.0
TINY = ("--tries", "32", "--seeds", "2", "--processes", "1")
PAIR = ("-s", "one-oscillator", "-s", "two-oscillator")


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a folder with a comparison in it."""
    folder = tmp_path_factory.mktemp("desk")
    write_notes(folder, "reed_A3.wav", "bell_As3.wav")
    (folder / "all.toml").write_text(
        '[[target]]\nfile = "reed_A3.wav"\n[[target]]\nfile = "bell_As3.wav"\n'
    )
    return folder


COMPARE = ("compare", "reed_A3.wav", *PAIR, *TINY, "--out", "trial")


@pytest.fixture(autouse=True)
def _at_the_desk(desk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work there."""
    monkeypatch.chdir(desk)


def test_compare_prints_the_verdict_and_the_figures(capsys: pytest.CaptureFixture[str]) -> None:
    """Verdict first, then distances, differences, running times and where the files are."""
    assert main(COMPARE) == 0
    out = capsys.readouterr().out
    assert out.startswith("On this target, with 32 tries for each run and 2 seeds:")
    for heading in (
        "Distance that was left",
        "Against one-oscillator",
        "How soon",
        "Files in trial",
    ):
        assert f"\n{heading}" in out
    assert max(map(len, out.splitlines())) <= 79


def test_a_finished_comparison_is_told_again(capsys: pytest.CaptureFixture[str]) -> None:
    """The same command and ``--resume`` print the same, to the letter."""
    assert main(COMPARE) == 0
    first = capsys.readouterr().out
    assert main(["compare", "--resume", "trial", "--processes", "1"]) == 0
    assert capsys.readouterr().out == first


def test_json_is_one_object(capsys: pytest.CaptureFixture[str]) -> None:
    """The document of the folder, with the folder's name."""
    assert main([*COMPARE, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["folder"] == "trial"
    assert document["verdict"] == load_comparison("trial").verdict
    assert [s["structure"] for s in document["summaries"]] == ["one-oscillator", "two-oscillator"]


def test_batch_lists_the_targets_the_worst_first(capsys: pytest.CaptureFixture[str]) -> None:
    """Each target with its loss and what is most audible."""
    assert main(["batch", "all.toml", "-s", "one-oscillator", *TINY]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert f"Files in {Path('runs') / 'batch-all-1'}" in lines
    assert lines[0].startswith("With one-oscillator, the worst first")
    losses = [float(line.split()[1]) for line in lines[1:3]]
    assert losses == sorted(losses, reverse=True)
    assert {line.split()[0] for line in lines[1:3]} == {"reed_A3", "bell_As3"}


def test_a_target_that_cannot_be_matched_sets_the_status(
    desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The library is worked off, and one line says what is wrong with which target."""
    (desk / "noise.wav").write_bytes(b"no sound at all")
    (desk / "some.toml").write_text(
        '[[target]]\nfile = "reed_A3.wav"\n[[target]]\nfile = "noise.wav"\n'
    )
    assert main(["batch", "some.toml", "-s", "one-oscillator", *TINY, "--out", "some"]) == 2
    out, err = capsys.readouterr()
    assert "Can't be matched\n  noise: " in out
    assert err.startswith("earwright: noise can't be matched: noise.wav can't be read as audio")
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        (["compare"], "TARGET is missing"),
        (["compare", "reed_A3.wav"], "--structure is missing"),
        (["compare", "--resume", "nowhere"], "nowhere is no folder"),
        (["compare", "x.wav", "--resume", "trial"], "--resume goes on with what trial holds"),
        (["compare", "--resume", "trial", "--tries", "9"], "--tries is given; leave it out"),
        (["compare", "x.wav", *PAIR], "x.wav doesn't exist"),
        (["compare", "reed_A3.wav", "-s", "violin"], "structure is 'violin'"),
        (
            ["compare", "reed_A3.wav", *PAIR, "--processes", "4096"],
            "--processes is 4096; it must be 1 to",
        ),
        (["compare", "reed_A3.wav", *PAIR, "--cluster", "desk"], '--cluster is "desk"'),
        (["compare", "reed_A3.wav", *PAIR, "--threshold", "0"], "--threshold: "),
        (["compare", "reed_A3.wav", *PAIR, "--seeds", "0"], "--seeds: "),
        (["batch"], "MANIFEST is missing"),
        (["batch", "nowhere.toml"], "nowhere.toml can't be read: No such file"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_bad_input_is_one_line(
    argv: Sequence[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was wrong and what it must be, exit 2, nothing on stdout."""
    assert main(argv) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"earwright: {message}") or message in err
    assert err.count("\n") == 1


def test_ctrl_c_keeps_what_is_finished(desk: Path) -> None:
    """Finished runs stay, what there is of figures is told, and the way to go on with it."""
    command = [sys.executable, "-m", "matcher.cli", "compare", "reed_A3.wav", *PAIR]
    with subprocess.Popen(  # noqa: S603  our own command
        [*command, "--tries", "300", "--seeds", "500", "--processes", "1", "--out", "cut"],
        cwd=desk,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        while not list(desk.glob("cut/jobs/*.json")):
            assert process.poll() is None
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(0.05)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=WAIT_S)
    assert process.returncode == 130, err
    assert b"Traceback" not in err
    assert b"finished runs are kept" in err
    assert out.startswith(b"So far (")
    assert b"earwright compare --resume cut" in out
    comparison = load_comparison(desk / "cut")
    assert len(comparison.runs) >= 1
    assert len(comparison.runs) + comparison.n_missing == 1000
