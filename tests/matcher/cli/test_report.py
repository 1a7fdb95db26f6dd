"""``earwright report`` and ``earwright summary`` through their real front door."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from matcher.cli import main
from tests.matcher.cli.recordings_on_disk import write_note
from tests.matcher.report.report_runs import small_run

if TYPE_CHECKING:
    from pathlib import Path

    from matcher import RunFolder


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> RunFolder:
    """Return a run."""
    return small_run(tmp_path_factory.mktemp("cli"), "reed")


def test_a_match_leaves_its_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The page is there, and the list of files names it."""
    recording, folder = write_note(tmp_path / "reed_A3.wav"), tmp_path / "run"
    words = ["match", str(recording), "--structure", "one-oscillator", "--tries", "48"]
    assert main([*words, "--out", str(folder)]) == 0
    out = capsys.readouterr().out
    assert "report.html" in out
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert f"--out {folder}" in page


def test_the_report_is_written_anew(run: RunFolder, capsys: pytest.CaptureFixture[str]) -> None:
    """The name of the page is printed, and nothing else."""
    assert main(["report", str(run.path)]) == 0
    out, err = capsys.readouterr()
    assert out == f"{run.path / 'report.html'}\n"
    assert err == ""


@pytest.mark.parametrize(
    ("words", "kinds"),
    [
        ([], {".png", ".svg"}),
        (["svg", "--dark"], {".svg"}),
    ],
    ids=["both", "dark svg"],
)
def test_pictures_come_as_files(
    words: list[str], kinds: set[str], run: RunFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each file that is named is there, of the kind that was asked for."""
    from pathlib import Path  # noqa: PLC0415

    assert main(["report", str(run.path), "--plots", *words]) == 0
    paths = [Path(line) for line in capsys.readouterr().out.splitlines()]
    assert all(path.is_file() for path in paths)
    assert {path.suffix for path in paths[1:]} == kinds


def test_the_essentials_are_shown(run: RunFolder, capsys: pytest.CaptureFixture[str]) -> None:
    """Distance, search and patch are printed."""
    assert main(["summary", str(run.path), "--details", "--plain"]) == 0
    out, err = capsys.readouterr()
    assert "Distance from the target" in out
    assert "Patch (one-oscillator)" in out
    assert out.isascii()
    assert err == ""


def test_a_page_that_is_there_is_kept_true(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A refinement and a step back are on the page; a run without a page gets none."""
    recording, folder = write_note(tmp_path / "reed_A3.wav"), tmp_path / "run"
    page = folder / "report.html"
    words = ["match", str(recording), "--structure", "one-oscillator", "--tries", "48"]
    assert main([*words, "--out", str(folder), "--no-report", "--details"]) == 0
    refine = [
        "refine",
        str(folder),
        "--only",
        "filter*",
        "--tries",
        "32",
        "--comment",
        "softer & far",
    ]
    assert main(refine) == 0
    assert not page.exists()
    assert main(["report", str(folder)]) == 0
    assert page.read_text(encoding="utf-8").count("softer &amp; far") == 1
    assert main(["back", str(folder), "start"]) == 0
    assert "back to" in page.read_text(encoding="utf-8")
    assert capsys.readouterr().out


@pytest.mark.parametrize("command", ["report", "summary"])
def test_a_folder_without_a_run_is_named(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line on stderr, exit 2, nothing written."""
    assert main([command, str(tmp_path)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("earwright: ")
    assert "has no run.json" in err
    assert err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_kind_of_picture_is_refused(
    run: RunFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    """The message names what is accepted."""
    assert main(["report", str(run.path), "--plots", "gif"]) == 2
    assert "png" in capsys.readouterr().err
