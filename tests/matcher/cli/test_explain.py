"""The commands explain, audition and keyboard: what they print, write and refuse."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from matcher.cli import main
from tests.matcher.explaining.explained_run import explained_run, set_patch

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a run with the true patch."""
    run = explained_run(tmp_path_factory.mktemp("runs") / "horn")
    set_patch(run)
    return run.path


def test_explain_prints_tables_and_keeps_the_file(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Tables on stdout, nothing on stderr, explain.json in the folder."""
    assert main(["explain", str(folder), "--seconds", "0.5"]) == 0
    captured = capsys.readouterr()
    assert "Build it in this order" in captured.out
    assert captured.err == ""
    assert (folder / "explain.json").is_file()


def test_explain_prints_one_object_or_a_name(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """--json is the file's content and nothing else, --quiet its name."""
    assert main(["explain", str(folder), "--seconds", "0.5", "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed == json.loads((folder / "explain.json").read_text())
    assert main(["explain", str(folder), "--seconds", "0.5", "--quiet"]) == 0
    assert capsys.readouterr().out == f"{folder / 'explain.json'}\n"


def test_explain_goes_into_the_report(folder: Path) -> None:
    """A run that has a report gets what mattered into it."""
    from matcher.report import write_report  # noqa: PLC0415  draws

    report = write_report(folder)
    (folder / "explain.json").unlink(missing_ok=True)
    write_report(folder)
    before = report.read_text(encoding="utf-8")
    assert main(["explain", str(folder), "--seconds", "0.5", "--quiet"]) == 0
    after = report.read_text(encoding="utf-8")
    assert "detune +8.0 cents" in after
    assert len(after) > len(before)


def test_audition_prints_the_cue_list(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Times, parts and settings, and the caution about hearing."""
    words = ["audition", str(folder), "filter envelope", "--factor", "2", "--pitch", "C3"]
    assert main(words) == 0
    printed = capsys.readouterr().out
    assert "filter envelope, exaggerated: depth +6.00 octaves" in printed
    assert "filter envelope, left out" in printed
    assert "monitor level down" in printed
    assert (folder / "audition" / "audition.wav").is_file()


def test_keyboard_prints_what_breaks(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A table of keys; --json gives all figures as one object."""
    words = ["keyboard", str(folder), "--from", "C4", "--to", "C5", "--step", "12"]
    assert main([*words, "--velocity", "100"]) == 0
    assert "Over the keyboard, against C4" in capsys.readouterr().out
    assert main([*words, "--velocity", "60,100", "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert [(k["pitch_name"], k["velocity"]) for k in printed["keys"]] == [
        ("C4", 60),
        ("C5", 60),
        ("C4", 100),
        ("C5", 100),
    ]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["explain", "RUN", "--seconds", "0"], "--seconds"),
        (["explain", "nowhere"], "nowhere"),
        (["audition", "RUN", "filtre"], '"filtre" is no part'),
        (["audition", "RUN", "vibrato"], "is not in this patch"),
        (["audition", "RUN"], "PART is missing"),
        (["audition", "RUN", "noise", "--factor", "1"], "--factor"),
        (["keyboard", "RUN", "--from", "C6", "--to", "C2"], "the lower one first"),
        (["keyboard", "RUN", "--velocity", "128"], "--velocity"),
        (["keyboard", "RUN", "--step", "0"], "--step"),
    ],
)
def test_bad_input_is_one_line(
    words: list[str], message: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit status 2 and one line that says what is accepted."""
    given = [str(folder) if word == "RUN" else word for word in words]
    assert main(given) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert message in captured.err
