"""Tests for `shared.files`."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from shared.errors import FileError
from shared.files import read_text_file, sha256_digest, write_atomic


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


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    """A slip in the folder gives one line with the reason."""
    with pytest.raises(FileError, match=r"a\.json can't be written: No such file or directory"):
        write_atomic(tmp_path / "missing" / "a.json", "new", overwrite=False)


def test_a_folder_cannot_be_overwritten(tmp_path: Path) -> None:
    """A folder in the place of the file is refused, and kept."""
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


def test_the_digest_of_a_missing_file_is_refused(tmp_path: Path) -> None:
    """A path that doesn't exist is an error of ours, not a digest of its name."""
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
