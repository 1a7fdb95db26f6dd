"""One command at a time on a run folder.

A lock of the operating system on the file ``.lock`` in the folder: it goes away with the process
that holds it, however that ends. Reading needs no lock, as every file is replaced in one step.
"""

from __future__ import annotations

import contextlib
import re
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from shared import RunFolderError
from shared.files import remove_leftovers

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["LOCK_FILE", "TEMPORARY_FOLDER", "lock_run"]

LOCK_FILE = ".lock"
# Hidden, and of a form that nobody else's files have.
TEMPORARY_FOLDER = re.compile(r"\.earwright-[0-9a-f]{16}\.tmp")


@contextlib.contextmanager
def lock_run(run: str | Path) -> Iterator[None]:
    """Keep a run folder for the ``with`` block, and tidy up after commands that were killed.

    Blocks of one thread may lie within each other.

    Parameters
    ----------
    run : str or Path
        The folder, which must exist.

    Yields
    ------
    None
        Nobody else changes the run meanwhile.

    Raises
    ------
    RunFolderError
        If another command is at work on the run, or the folder can't be written to.
    """
    # Here, as help and reading need no lock.
    from filelock import FileLock, Timeout  # noqa: PLC0415

    path = Path(run)
    if not path.is_dir():
        raise RunFolderError(
            f"{path} is no folder; a run folder is accepted. Check the name.", path=path
        )
    # A singleton counts how often its thread has taken it; other threads get a lock of their own.
    lock = FileLock(path.resolve() / LOCK_FILE, timeout=0, is_singleton=True)
    try:
        lock.acquire()
    except Timeout as error:
        raise RunFolderError(
            f"{path} is in use by another command; one at a time is accepted. Wait until it has "
            "ended, or stop it.",
            path=path,
        ) from error
    except OSError as error:
        raise RunFolderError(
            f"{path} can't be changed: {error.strerror or error}. A folder that you may write to "
            "is accepted.",
            path=path,
        ) from error
    try:
        if lock.lock_counter == 1:
            _tidy(path)
        yield
    finally:
        lock.release()


def _tidy(path: Path) -> None:
    """Take away temporary files: whoever made them is gone, as we have the lock."""
    with contextlib.suppress(OSError):
        for entry in path.iterdir():
            if TEMPORARY_FOLDER.fullmatch(entry.name) and not entry.is_symlink():
                shutil.rmtree(entry, ignore_errors=True)
    remove_leftovers(path)
