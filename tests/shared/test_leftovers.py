"""What killed processes leave behind goes away, and what others are using stays."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

import shared.files
from shared import FileError, write_atomic
from shared.files import (
    hold,
    remove_abandoned_folders,
    remove_leftovers,
    temporary_folder,
    temporary_name,
)

ROOT = Path(__file__).resolve().parents[2]


def _run(code: str, folder: Path) -> int:
    """Run a program in a process of its own, with its temporary files in a folder."""
    return subprocess.run(  # noqa: S603  our own program
        [sys.executable, "-c", code],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": str(folder)},
        check=False,
    ).returncode


def test_the_next_write_takes_away_what_a_killed_one_left(tmp_path: Path) -> None:
    """Kill -9 in the middle of writing leaves a hidden file, which the next writing removes."""
    killed = (
        "import os, signal\nimport shared.files\n"
        "shared.files.os.fsync = lambda _: os.kill(os.getpid(), signal.SIGKILL)\n"
        "shared.files.write_atomic('patch.json', 'half', overwrite=True)\n"
    )
    write_atomic(tmp_path / "patch.json", "old", overwrite=False)
    assert _run(killed, tmp_path) == -signal.SIGKILL
    assert (tmp_path / "patch.json").read_text() == "old"
    assert len(list(tmp_path.iterdir())) == 2
    write_atomic(tmp_path / "patch.json", "new", overwrite=True)
    assert [path.name for path in tmp_path.iterdir()] == ["patch.json"]


def test_a_temporary_file_in_use_stays(tmp_path: Path) -> None:
    """What another writer holds is not touched, nor are files of other names and forms."""
    held = temporary_name(tmp_path / "patch.json")
    others = [tmp_path / ".notes.tmp", tmp_path / "a.0123456789abcdef.tmp"]
    for path in others:
        path.write_text("the user's")
    with held.open("xb") as file:
        hold(file)
        remove_leftovers(tmp_path)
        assert held.exists()
    remove_leftovers(tmp_path, "run.json")
    assert held.exists()
    remove_leftovers(tmp_path, "patch.json")
    assert not held.exists()
    assert all(path.exists() for path in others)


def test_links_are_not_followed(tmp_path: Path) -> None:
    """A link to a folder elsewhere doesn't let anything there be deleted."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    stranger = temporary_name(elsewhere / "patch.json")
    stranger.touch()
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "link").symlink_to(elsewhere)
    remove_leftovers(tmp_path / "run")
    assert stranger.exists()


def test_writing_begins_again_if_its_temporary_file_is_taken_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two processes may write at once; the file is whole, or the refusal is one of ours."""
    take_name, n_lost = shared.files.take_name, 0

    def lose_it(temporary: Path, final: Path, *, overwrite: bool) -> None:
        nonlocal n_lost
        if n_lost < limit:
            n_lost += 1
            temporary.unlink()
        take_name(temporary, final, overwrite=overwrite)

    monkeypatch.setattr(shared.files, "take_name", lose_it)
    limit = 2
    write_atomic(tmp_path / "patch.json", "whole", overwrite=True)
    assert (tmp_path / "patch.json").read_text() == "whole"
    n_lost, limit = 0, 9
    with pytest.raises(FileError, match=r"patch\.json can't be written"):
        write_atomic(tmp_path / "patch.json", "other", overwrite=True)
    assert (tmp_path / "patch.json").read_text() == "whole"


def test_folders_of_killed_processes_go_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Kill -9 leaves a temporary folder; the next one removes it, and leaves those in use."""
    killed = (
        "import os, signal\nfrom shared.files import temporary_folder\n"
        "with temporary_folder():\n    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    assert _run(killed, tmp_path) == -signal.SIGKILL
    (left,) = tmp_path.glob("earwright-*")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    (tmp_path / "earwright-notes").mkdir()
    with temporary_folder() as first, temporary_folder() as second:
        assert not left.exists()
        remove_abandoned_folders()
        assert first.exists()
        assert second.exists()
    assert [path.name for path in tmp_path.iterdir()] == ["earwright-notes"]


def test_a_folder_that_is_taken_away_at_once_is_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another process may sweep in the instant before the mark is locked, or there is one."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    make, n_made = tempfile.mkdtemp, 0

    def make_and_lose(prefix: str) -> str:
        nonlocal n_made
        folder = make(prefix=prefix)
        n_made += 1
        if n_made < 3:
            remove_abandoned_folders()
        return folder

    monkeypatch.setattr(tempfile, "mkdtemp", make_and_lose)
    with temporary_folder() as folder:
        assert folder.is_dir()
        assert n_made == 3
    assert not list(tmp_path.iterdir())
