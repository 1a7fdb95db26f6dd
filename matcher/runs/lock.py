"""One command at a time on a run folder, which is tried before a search begins.

A lock of the operating system on the file ``.lock`` in the folder: it goes away with the process
that holds it, however that ends. Reading needs no lock, as every file is replaced in one step.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import secrets
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from matcher.runs.layout import (
    OWN_FOLDERS,
    PLOTS_FOLDER,
    REPORT_FILE,
    RUN_FILE,
    SEARCHES_FOLDER,
    SINGLE_FILES,
    SOUND_FOLDERS,
    cannot_write,
    own_files,
    read_unchecked,
    remove_empty_folders,
)
from shared import RunFolderError
from shared.files import remove_leftovers

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from typing import Self

__all__ = ["LOCK_FILE", "TEMPORARY_FOLDER", "lock_run"]

LOCK_FILE = ".lock"
# Hidden, and of a form that nobody else's files have.
TEMPORARY_FOLDER = re.compile(r"\.earwright-[0-9a-f]{16}\.tmp")


@contextlib.contextmanager
def lock_run(run: str | Path) -> Iterator[None]:
    """Keep a run folder for the ``with`` block, and tidy up after commands that were killed.

    Blocks of one thread may lie within each other. Raises RunFolderError if another command is
    at work on the run, or the folder can't be written to.
    """
    # Here, as help and reading need no lock.
    from filelock import FileLock, Timeout  # noqa: PLC0415

    path = Path(run)
    if not path.is_dir():
        raise RunFolderError(
            f"{path} is no folder; it must be a run folder. Check the name.", path=path
        )
    # A singleton counts how often its thread has taken it; other threads get a lock of their own.
    lock = FileLock(path.resolve() / LOCK_FILE, timeout=0, is_singleton=True)
    try:
        lock.acquire()
    except Timeout as error:
        raise RunFolderError(
            f"{path} is in use by another command; there must be one at a time. Wait until it has "
            "ended, or stop it.",
            path=path,
        ) from error
    except OSError as error:
        raise RunFolderError(
            f"{path} can't be changed: {error.strerror or error}. It must be a folder that "
            "you may write to.",
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


class LockedRun:
    """A run folder under its lock; after the ``with`` block it goes away if nothing was written.

    Made by `lock_named`, `lock_numbered` or `lock_existing_run`; `move_in` fills it.
    """

    def __init__(self, path: Path, made: Sequence[Path]) -> None:
        self.path = path
        # Folders that were made for it, the outermost first.
        self._made = tuple(made)
        self.has_new_lock = not (path / LOCK_FILE).exists()
        self._lock = lock_run(path)
        try:
            self._lock.__enter__()
        except RunFolderError:
            _remove(made)
            raise

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Take the folder away if it is empty and was made for this."""
        with contextlib.suppress(OSError):
            if [entry.name for entry in self.path.iterdir()] == [LOCK_FILE]:
                (self.path / LOCK_FILE).unlink()
        _remove(self._made)
        self._lock.__exit__(None, None, None)

    def new_temporary(self) -> Path:
        """Make a hidden folder inside, for files that aren't complete yet."""
        temporary = self.path / f".earwright-{secrets.token_hex(8)}.tmp"
        temporary.mkdir()
        return temporary

    def move_in(self, temporary: Path, files: Sequence[str], *, search: str, is_new: bool) -> None:
        """Take the files of a temporary folder over.

        A new run takes the place of an earlier one, which goes away but for the folder `search`;
        otherwise the files are newer ones of the same run. `run.json` goes first and comes last:
        a folder that has one is complete.
        """
        stale = [self.path / name for name in own_files(self.path)] if is_new else []
        kept = self.path / SEARCHES_FOLDER / search
        (self.path / RUN_FILE).unlink(missing_ok=True)
        moved: list[Path] = []
        try:
            for name in sorted(files, key=lambda name: name == RUN_FILE):
                final = self.path / name
                final.parent.mkdir(exist_ok=True)
                (temporary / name).replace(final)
                moved.append(final)
        except OSError:
            for path in moved if is_new else []:
                path.unlink(missing_ok=True)
            raise
        for path in stale:
            if path not in moved and kept not in path.parents:
                path.unlink(missing_ok=True)
        _sync_folder(self.path)

    def tidy(self) -> None:
        """Take away folders of a run that stayed empty."""
        for name in OWN_FOLDERS:
            if (self.path / name).is_dir():
                remove_empty_folders(self.path / name)


def lock_existing_run(folder: Path) -> LockedRun:
    """Lock a folder that holds a run, to add to it."""
    return _tried(LockedRun(folder, ()))


def lock_named(folder: str | Path, *, force: bool) -> LockedRun:
    """Lock the folder that the user names for a new run, and refuse one that is occupied."""
    path = Path(folder)
    try:
        if path.is_file():
            raise RunFolderError(
                f"{path} is a file; it must be a new or an empty folder. Name another one with "
                "--out.",
                path=path,
            )
        made = _make_folders(path)
        locked = LockedRun(path, made)
    except OSError as error:
        raise cannot_write(path, error) from error
    return _tried(locked, is_checked=not made, force=force)


def lock_numbered(parent: Path, stem: str) -> LockedRun:
    """Lock the folder with the next free number: ``stem-1``, ``stem-2``, ..."""
    number = 0
    while True:
        number += 1
        path = parent / f"{stem}-{number}"
        try:
            made = _make_folders(path)
            # Made just now by us alone: two matches at once get two numbers.
            if made:
                return _tried(LockedRun(path, made))
        except OSError as error:
            if isinstance(error, FileExistsError) and os.path.lexists(path):
                continue
            raise cannot_write(path, error) from error


def _tried(locked: LockedRun, *, is_checked: bool = False, force: bool = False) -> LockedRun:
    """Write and remove something, so that a search isn't for nothing; else leave no trace."""
    try:
        if is_checked and _names(locked.path):
            _check_occupied(locked.path, force=force)
        locked.new_temporary().rmdir()
    except BaseException as error:
        if locked.has_new_lock:
            # Windows deletes no file that is open; giving the folder up tries again.
            with contextlib.suppress(OSError):
                (locked.path / LOCK_FILE).unlink()
        locked.__exit__(None, None, None)
        if isinstance(error, OSError):
            raise cannot_write(locked.path, error) from error
        raise
    return locked


def _check_occupied(path: Path, *, force: bool) -> None:
    """Refuse a folder with something in it, unless it is a run that may be replaced."""
    names = {name for name in _names(path) if not TEMPORARY_FOLDER.fullmatch(name)}
    # Without run.json: what an interrupted run left behind, and nothing else.
    pages = {REPORT_FILE, PLOTS_FOLDER}
    is_remainder = names <= {*SINGLE_FILES, *OWN_FOLDERS, *pages} and RUN_FILE not in names
    is_run = read_unchecked(path) is not None or is_remainder
    if not force:
        hint = ", or add --force to replace the run in it" if is_run else ""
        if is_remainder and SEARCHES_FOLDER in names:
            hint = (
                ", go on with the search in it (earwright match --resume), or add --force to "
                "replace it"
            )
        raise RunFolderError(
            f"{path} is not empty; it must be a new or an empty folder. Name another one with "
            f"--out{hint}.",
            path=path,
        )
    if not is_run:
        raise RunFolderError(
            f"{path} holds files that are no run of earwright; --force replaces a run only. Name "
            "another folder with --out.",
            path=path,
        )
    for sub in SOUND_FOLDERS:
        if (path / sub).exists() and not (path / sub).is_dir():
            raise RunFolderError(
                f"{path / sub} is a file, and a run needs a folder there. Move it away, or name "
                "another folder with --out.",
                path=path,
            )


def _make_folders(path: Path) -> list[Path]:
    """Make a folder and those above it; return the new ones, the outermost first."""
    missing = []
    for folder in (path, *path.parents):
        if folder.is_dir():
            break
        if folder != path and os.path.lexists(folder):
            raise NotADirectoryError(errno.ENOTDIR, f"{folder} is no folder")
        missing.append(folder)
    made: list[Path] = []
    try:
        for folder in reversed(missing):
            # Of two matches at once, the second finds the parent made, which is fine.
            folder.mkdir(exist_ok=folder != path)
            made.append(folder)
    except OSError:
        _remove(made)
        raise
    return made


def _remove(folders: Sequence[Path]) -> None:
    """Take folders away that are empty, the innermost first."""
    for folder in reversed(folders):
        with contextlib.suppress(OSError):
            folder.rmdir()


def _names(folder: Path) -> list[str]:
    """List what is in a folder, besides the lock."""
    return [entry.name for entry in folder.iterdir() if entry.name != LOCK_FILE]


def _sync_folder(folder: Path) -> None:
    """Push new names to the disk, where the system lets a folder be opened."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
