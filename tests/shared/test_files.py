"""Tests for `shared.files`: files are whole, and what killed processes leave goes away."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from shared import files
from shared.errors import FileError
from shared.files import (
    hold,
    read_text_file,
    remove_abandoned_folders,
    remove_leftovers,
    sha256_digest,
    temporary_folder,
    temporary_name,
    write_atomic,
)

ROOT = Path(__file__).resolve().parents[2]


def names_in(folder: Path) -> list[str]:
    """List a folder with its hidden files, where a leftover would be."""
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.parametrize(
    ("data", "content"),
    [(b"\x00\xff", b"\x00\xff"), ("caf\u00e9\n", b"caf\xc3\xa9\n"), ("", b"")],
    ids=["bytes", "text", "empty"],
)
def test_a_file_holds_what_was_written(tmp_path: Path, data: bytes | str, content: bytes) -> None:
    """Bytes stay as they are, text is UTF-8 with its own line ends, and nothing else is left."""
    write_atomic(tmp_path / "a.bin", data, overwrite=False)
    assert (tmp_path / "a.bin").read_bytes() == content
    assert names_in(tmp_path) == ["a.bin"]


def test_an_existing_file_is_kept(tmp_path: Path) -> None:
    """Without permission nothing is replaced, and the message names the file and the way out."""
    path = tmp_path / "brass.json"
    path.write_text("old")
    with pytest.raises(FileError, match=r"brass\.json exists already and is kept\.") as caught:
        write_atomic(path, "new", overwrite=False)
    assert caught.value.path == path
    assert path.read_text() == "old"
    assert names_in(tmp_path) == ["brass.json"]


def test_a_name_taken_meanwhile_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of two programs that write the same new file, the first one wins."""
    path = tmp_path / "brass.json"
    sync = os.fsync

    def sync_while_another_writes(handle: int) -> None:
        sync(handle)
        path.write_text("theirs")

    monkeypatch.setattr("shared.files.os.fsync", sync_while_another_writes)
    with pytest.raises(FileError, match="exists already and is kept"):
        write_atomic(path, "ours", overwrite=False)
    assert path.read_text() == "theirs"
    assert names_in(tmp_path) == ["brass.json"]


def test_an_existing_file_is_replaced_on_request(tmp_path: Path) -> None:
    """With permission the new content takes the old name."""
    path = tmp_path / "brass.json"
    path.write_text("old and longer")
    write_atomic(path, "new", overwrite=True)
    assert path.read_text() == "new"
    assert names_in(tmp_path) == ["brass.json"]


@pytest.mark.parametrize("overwrite", [False, True])
def test_a_write_that_fails_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, overwrite: bool
) -> None:
    """A full disk leaves the old file whole and no half of the new one."""
    path = tmp_path / ("old.json" if overwrite else "new.json")
    (tmp_path / "old.json").write_text("old")

    def disk_is_full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("shared.files.os.fsync", disk_is_full)
    with pytest.raises(FileError, match="can't be written: No space left on device"):
        write_atomic(path, "new", overwrite=overwrite)
    assert names_in(tmp_path) == ["old.json"]
    assert (tmp_path / "old.json").read_text() == "old"


def test_readers_never_see_half_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Until the content is on the disk, the name shows the old file."""
    path = tmp_path / "brass.json"
    path.write_text("old")
    seen: list[str] = []
    sync = os.fsync

    def look_and_sync(handle: int) -> None:
        seen.append(path.read_text())
        sync(handle)

    monkeypatch.setattr("shared.files.os.fsync", look_and_sync)
    write_atomic(path, "new", overwrite=True)
    # The second look is at the sync of the folder, after the rename.
    assert seen == ["old", "new"]


def test_a_file_system_without_hard_links_works(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Memory cards have no hard links; new files are written and old ones kept all the same."""

    def no_links(_source: Path, _target: Path) -> None:
        raise OSError(1, "Operation not permitted")

    monkeypatch.setattr("shared.files.os.link", no_links)
    write_atomic(tmp_path / "a.json", "new", overwrite=False)
    with pytest.raises(FileError, match="exists already"):
        write_atomic(tmp_path / "a.json", "newer", overwrite=False)
    assert (tmp_path / "a.json").read_text() == "new"
    assert names_in(tmp_path) == ["a.json"]


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    """Writing through a link changes the file that it points to."""
    (tmp_path / "real.json").write_text("old")
    (tmp_path / "link.json").symlink_to("real.json")
    write_atomic(tmp_path / "link.json", "new", overwrite=True)
    assert (tmp_path / "link.json").is_symlink()
    assert (tmp_path / "real.json").read_text() == "new"


def test_rights_follow_the_umask(tmp_path: Path) -> None:
    """A written file can be read by those who can read any other new file of the user."""
    (tmp_path / "plain.txt").write_text("plain")
    write_atomic(tmp_path / "ours.txt", "ours", overwrite=False)
    assert (tmp_path / "ours.txt").stat().st_mode == (tmp_path / "plain.txt").stat().st_mode


def test_a_folder_that_is_missing_or_in_the_way_is_named(tmp_path: Path) -> None:
    """A slip in the folder gives one line with the reason, and a folder is kept."""
    with pytest.raises(FileError, match=r"a\.json can't be written: No such file or directory"):
        write_atomic(tmp_path / "missing" / "a.json", "new", overwrite=False)
    with pytest.raises(FileError, match="can't be written"):
        write_atomic(tmp_path, "new", overwrite=True)
    assert names_in(tmp_path) == []


def test_digests_are_those_of_the_standard(tmp_path: Path) -> None:
    """FIPS 180-4, example of one block: the digest of "abc", from bytes and from a file."""
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert sha256_digest(b"abc") == expected
    assert sha256_digest(path) == sha256_digest(str(path)) == expected
    # A path that doesn't exist is an error of ours, not a digest of its name.
    with pytest.raises(FileError, match=r"missing\.wav can't be read: No such file"):
        sha256_digest(tmp_path / "missing.wav")


def test_documents_are_files_of_a_size(tmp_path: Path) -> None:
    """A pipe, a device and a huge file are refused before anything waits or fills the memory."""
    pipe, huge = tmp_path / "pipe", tmp_path / "huge"
    os.mkfifo(pipe)
    with huge.open("wb") as file:
        file.truncate((64 << 20) + 1)
    for path, reason in ((pipe, "pipe"), (Path("/dev/zero"), "device"), (huge, "64 MB")):
        with pytest.raises(OSError, match=reason):
            read_text_file(path)


def test_what_is_no_text_is_written_as_its_code(tmp_path: Path) -> None:
    """Python holds bytes of names that aren't UTF-8 as lone surrogates, which UTF-8 can't hold."""
    write_atomic(tmp_path / "names.csv", "Fl\u00f6te,\udcffhorn", overwrite=False)
    assert (tmp_path / "names.csv").read_bytes() == "Fl\u00f6te,\\udcffhorn".encode()


@pytest.mark.parametrize("overwrite", [True, False])
def test_a_pipe_or_a_device_is_never_replaced(tmp_path: Path, *, overwrite: bool) -> None:
    """Not through a link, either: root could lose /dev/null that way."""
    pipe, link = tmp_path / "pipe", tmp_path / "patch.json"
    os.mkfifo(pipe)
    link.symlink_to(pipe)
    for path in (pipe, link):
        with pytest.raises(FileError, match="is a pipe or a device"):
            write_atomic(path, "text", overwrite=overwrite)
    assert pipe.is_fifo()
    assert sorted(each.name for each in tmp_path.iterdir()) == ["patch.json", "pipe"]


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
    take_name, n_lost = files.take_name, 0

    def lose_it(temporary: Path, final: Path, *, overwrite: bool) -> None:
        nonlocal n_lost
        if n_lost < limit:
            n_lost += 1
            temporary.unlink()
        take_name(temporary, final, overwrite=overwrite)

    monkeypatch.setattr(files, "take_name", lose_it)
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
