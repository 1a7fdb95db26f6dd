"""Files that are either whole or not there, their digests, and what killed processes leave behind.

Whoever writes a temporary file holds a lock of the operating system on it, which goes away with
the process however that ends. So what can be locked belongs to nobody and is taken away. Where the
system has no such locks (Windows), an open file can't be deleted, which says the same.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import secrets
import shutil
import tempfile
from pathlib import Path
from typing import IO, TYPE_CHECKING

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

from shared.errors import FileError

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "MAX_TEXT_BYTES",
    "read_text_file",
    "remove_abandoned_folders",
    "remove_leftovers",
    "sha256_digest",
    "temporary_folder",
    "write_atomic",
]

# A patch has 6 kB; the run.json of twelve notes with long histories 1 MB.
MAX_TEXT_BYTES = 64 << 20
# Another process may take a temporary file for abandoned in the instant before it is locked.
_ATTEMPTS = 3
_TEMPORARY = re.compile(r"\.(?P<name>.+)\.[0-9a-f]{16}\.tmp", re.DOTALL)
_PREFIX = "earwright-"
# As `tempfile.mkdtemp` names folders.
_FOLDER = re.compile(rf"{_PREFIX}[a-z0-9_]{{8}}")
_IN_USE = ".in-use"
_FOLDER_ATTEMPTS = 5


def read_text_file(
    path: str | Path, *, encoding: str = "utf-8", max_bytes: int = MAX_TEXT_BYTES
) -> str:
    """Read a document of the user: never a pipe or a device, which may have no end.

    Every kind of line end counts as one. An `OSError` refuses what isn't a regular file or has
    more than `max_bytes`, a `UnicodeDecodeError` what is no text; callers name what they wanted to
    read.
    """
    source = Path(path)
    if source.exists() and not (source.is_file() or source.is_dir()):
        raise OSError(errno.EINVAL, "it is a pipe or a device, and no file", str(path))
    if source.is_file() and source.stat().st_size > max_bytes:
        limit = f"{max_bytes >> 20} MB" if max_bytes >> 20 else f"{max_bytes} bytes"
        raise OSError(errno.EFBIG, f"it has more than {limit}", str(path))
    return source.read_text(encoding=encoding)


def write_atomic(path: str | Path, data: bytes | str, *, overwrite: bool) -> None:
    """Write a file so that nobody ever sees half of it.

    A hidden temporary file beside the target is flushed to the disk and takes the name in one
    step. What a process that was killed has left beside the target goes away.

    Parameters
    ----------
    path : str or Path
        File to write; its folder must exist.
    data : bytes or str
        Content; text is written as UTF-8 with the line ends that it has.
    overwrite : bool
        Whether a file of that name may be replaced.

    Raises
    ------
    FileError
        If the file exists and may not be replaced, is a pipe or a device, or can't be written.
    """
    target = Path(path)
    # Names of files need not be text: what UTF-8 can't hold is written as its code.
    content = data.encode("utf-8", "backslashreplace") if isinstance(data, str) else data
    # A link stays a link: the file that it points to is replaced.
    final = Path(os.path.realpath(target))
    if final.exists() and not (final.is_file() or final.is_dir()):
        raise FileError(
            f"{target} is a pipe or a device, which a file would replace; it must be a file. "
            "Name another one.",
            path=target,
        )
    if not overwrite and final.exists():
        raise _exists(target)
    try:
        remove_leftovers(final.parent, final.name)
        _write_whole(final, content, overwrite=overwrite)
        _sync_folder(final.parent)
    except FileExistsError as error:
        raise _exists(target) from error
    except OSError as error:
        reason = error.strerror or str(error)
        raise FileError(
            f"{target} can't be written: {reason}. Choose a folder that exists and may be "
            "written to.",
            path=target,
        ) from error


def sha256_digest(data: bytes | str | Path) -> str:
    """Compute the SHA-256 digest (FIPS 180-4) of bytes, or of the file of a name.

    Returns 64 hexadecimal digits; a `FileError` says why a file can't be read.
    """
    if isinstance(data, bytes):
        return hashlib.sha256(data).hexdigest()
    try:
        with Path(data).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        reason = error.strerror or str(error)
        raise FileError(f"{data} can't be read: {reason}.", path=data) from error


def _write_whole(final: Path, content: bytes, *, overwrite: bool) -> None:
    """Write a temporary file and give it its name; begin again if it was taken away meanwhile."""
    for attempt in range(1, _ATTEMPTS + 1):
        temporary = temporary_name(final)
        try:
            _write_temporary(temporary, final, content, overwrite=overwrite)
        except FileNotFoundError:
            if attempt == _ATTEMPTS or not final.parent.is_dir():
                raise
        else:
            return
        finally:
            with contextlib.suppress(OSError):
                temporary.unlink()


def _write_temporary(temporary: Path, final: Path, content: bytes, *, overwrite: bool) -> None:
    """Write a new file and push it to the disk, then let it take its name.

    Its rights follow the user's umask. It is held until it has its name where the system can
    rename open files.
    """
    with temporary.open("xb") as file:
        hold(file)
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
        if os.name == "posix":
            take_name(temporary, final, overwrite=overwrite)
            return
    take_name(temporary, final, overwrite=overwrite)


def take_name(temporary: Path, final: Path, *, overwrite: bool) -> None:
    """Give the temporary file its name; without `overwrite` an existing file wins."""
    if overwrite:
        temporary.replace(final)
        return
    try:
        # A hard link fails if the name was taken since the first check; a rename wouldn't.
        os.link(temporary, final)
    except FileExistsError:
        raise
    except OSError:
        # Some file systems have no hard links.
        if final.exists():
            raise FileExistsError from None
        temporary.replace(final)


def _sync_folder(folder: Path) -> None:
    """Push the new name to the disk, where the system lets a folder be opened."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _exists(path: Path) -> FileError:
    """Build the error for a name that is taken."""
    return FileError(
        f"{path} exists already and is kept. Choose another name, or take it away first; "
        "--force replaces it where a command has that.",
        path=path,
    )


def temporary_name(final: Path) -> Path:
    """Return a hidden name beside a file that `remove_leftovers` knows."""
    return final.with_name(f".{final.name}.{secrets.token_hex(8)}.tmp")


def hold(file: IO[bytes]) -> bool:
    """Lock an open file, where the system and the file system can.

    False if somebody else has it, who took it for abandoned in the instant before.
    """
    if fcntl is not None:
        try:
            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError:
            # A file system without locks: nobody else gets one either.
            return True
    return True


def remove_leftovers(folder: Path, name: str | None = None) -> None:
    """Take away what writing that was killed has left in a folder.

    Only temporary files of the file `name`, or without it those of all files, also in the folders
    below; links are not followed.
    """
    for parent, folders, files in os.walk(folder):
        for file in files:
            found = _TEMPORARY.fullmatch(file)
            if found and name in {None, found["name"]}:
                _remove_if_abandoned(Path(parent, file))
        if name is not None:
            folders.clear()


@contextlib.contextmanager
def temporary_folder() -> Iterator[Path]:
    """Make a folder that goes away with the block, and take away those of killed processes.

    Nothing is in it but a hidden mark; an `OSError` says if there is no place for it.
    """
    remove_abandoned_folders()
    folder, mark = _make_folder()
    try:
        with mark:
            yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def remove_abandoned_folders() -> None:
    """Take away the folders of `temporary_folder` whose processes were killed."""
    with contextlib.suppress(OSError):
        for folder in Path(tempfile.gettempdir()).glob(f"{_PREFIX}*"):
            if not _FOLDER.fullmatch(folder.name) or folder.is_symlink():
                continue
            mark = folder / _IN_USE
            if mark.is_file() and _remove_if_abandoned(mark):
                shutil.rmtree(folder, ignore_errors=True)
            else:
                # One without a mark is empty if its process was killed as it made it.
                with contextlib.suppress(OSError):
                    folder.rmdir()


def _make_folder() -> tuple[Path, IO[bytes]]:
    """Make a folder and hold a mark in it; begin again if it is taken for abandoned meanwhile."""
    for _ in range(_FOLDER_ATTEMPTS):
        folder = Path(tempfile.mkdtemp(prefix=_PREFIX))
        mark = folder / _IN_USE
        with contextlib.suppress(FileNotFoundError):
            file = mark.open("xb")
            if hold(file) and mark.exists():
                return folder, file
            file.close()
    raise FileNotFoundError(
        errno.ENOENT, "folders for temporary files vanish", tempfile.gettempdir()
    )


def _remove_if_abandoned(path: Path) -> bool:
    """Delete a file unless somebody holds it; say whether it is gone."""
    try:
        if fcntl is not None:
            with path.open("rb") as file:
                fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
                path.unlink()
        else:
            path.unlink()
    except OSError:
        return False
    return True
