"""Folders that are read-only, or vanish in the middle: one line, and nothing half written.

As root may write everywhere, the refusals of the system are made here.
"""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path

import pytest

import shared.files
from matcher.cli import main
from tests.matcher.cli.recordings_on_disk import write_note
from tests.matcher.report.report_runs import small_run

pytestmark = pytest.mark.filterwarnings("ignore::shared.errors.EarwrightWarning")

COMMANDS = {
    "match": ["match", "reed.wav", "--structure", "one-oscillator", "--tries", "16", "--out", "o"],
    "refine": ["refine", "run", "--set", "amp_env.attack_s=0.02", "--tries", "0"],
    "search": ["refine", "run", "--only", "amp_env*", "--tries", "16"],
    "keep": ["keep", "run", "liked"],
    "back": ["back", "run", "start"],
    "report": ["report", "run"],
    "explain": ["explain", "run", "--seconds", "0.5"],
    "keyboard": ["keyboard", "run", "--from", "C3", "--to", "D3"],
    "audition": ["audition", "run", "amplifier envelope"],
    "compare": ["compare", "reed.wav", "-s", "one-oscillator", "--seeds", "1", "--tries", "16",
                "--processes", "1", "--out", "o"],
    "render": ["render", "run/patch.json", "--held", "0.1", "--out", "note.wav"],
    "send-file": ["send-file", "run", "--map", "sound-controllers", "--out", "patch.mid"],
    "structures": ["structures", "new", "mine.toml"],
}  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a folder with a recording and a run."""
    folder = tmp_path_factory.mktemp("made")
    write_note(folder / "reed.wav")
    small_run(folder, "reed")
    return folder


@pytest.fixture
def desk(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a copy of it."""
    desk = tmp_path / "desk"
    shutil.copytree(made, desk)
    monkeypatch.chdir(desk)
    return desk


def _contents(folder: Path) -> dict[str, bytes]:
    """Read every file but locks, and what a search has saved of itself."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != ".lock" and "searches" not in path.parts
    }


def _said(capsys: pytest.CaptureFixture[str]) -> str:
    """Return the one line of the mistake."""
    lines = [
        line
        for line in capsys.readouterr().err.splitlines()
        if line.startswith("earwright: ") and not line.startswith("earwright: warning:")
    ]
    assert len(lines) == 1, lines
    return lines[0]


@pytest.mark.parametrize("command", COMMANDS)
def test_a_read_only_disk_is_told_in_one_line(
    command: str, desk: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """EROFS from every file that is opened for writing: status 2, and everything as it was."""
    before = _contents(desk)

    def refuse(temporary: Path, final: Path, content: bytes, *, overwrite: bool) -> None:
        del final, content, overwrite
        raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(temporary))

    monkeypatch.setattr(shared.files, "_write_temporary", refuse)
    capsys.readouterr()
    assert main(COMMANDS[command]) == 2
    assert "Read-only file system" in _said(capsys)
    assert _contents(desk) == before


@pytest.mark.parametrize("command", [name for name in COMMANDS if name != "structures"])
def test_a_folder_that_vanishes_is_told_in_one_line(
    command: str, desk: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A stick is pulled, or somebody deletes the folder, as the first file is written."""
    write = shared.files._write_temporary

    def vanish(temporary: Path, final: Path, content: bytes, *, overwrite: bool) -> None:
        shutil.rmtree(final.parent, ignore_errors=True)
        write(temporary, final, content, overwrite=overwrite)

    monkeypatch.setattr(shared.files, "_write_temporary", vanish)
    capsys.readouterr()
    assert main(COMMANDS[command]) == 2
    assert "No such file or directory" in _said(capsys)
    assert not list(desk.parent.rglob(".*.tmp"))


@pytest.mark.parametrize("command", ["match", "search", "compare", "report", "audition"])
def test_folders_that_cannot_be_made_are_told_in_one_line(
    command: str, desk: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """EROFS from every folder that is made; a report needs none."""

    def refuse(self: Path, *_: object, **__: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(self))

    before = _contents(desk)
    monkeypatch.setattr(Path, "mkdir", refuse)
    capsys.readouterr()
    words = [*COMMANDS[command], *(["--plots", "svg"] if command == "report" else [])]
    assert main(words) == 2
    assert "Read-only file system" in _said(capsys)
    after = _contents(desk)
    after.pop("run/report.html", None)
    assert after == before
