"""Temporary files and folders of processes that were killed, told from those still in use.

Whoever writes a temporary file holds a lock of the operating system on it, which goes away with
the process however that ends. So what can be locked belongs to nobody and is taken away. Where the
system has no such locks (Windows), an open file can't be deleted, which says the same.
"""

from __future__ import annotations

import contextlib
import errno
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

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__: list[str] = []

_TEMPORARY = re.compile(r"\.(?P<name>.+)\.[0-9a-f]{16}\.tmp", re.DOTALL)
_PREFIX = "earwright-"
# As `tempfile.mkdtemp` names folders.
_FOLDER = re.compile(rf"{_PREFIX}[a-z0-9_]{{8}}")
_IN_USE = ".in-use"
_ATTEMPTS = 5


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
    """Make a folder for temporary files, and take away those of processes that were killed.

    Yields
    ------
    Path
        Nothing is in it but a hidden mark; it goes away with the block.

    Raises
    ------
    OSError
        If there is no place for temporary files.
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
    for _ in range(_ATTEMPTS):
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
