"""A folder that a run may write to, found and tried before the search begins."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import secrets
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from matcher._run_document import KIND
from shared import RunFolderError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import TracebackType
    from typing import Self

__all__: list[str] = []

RUN_FILE = "run.json"
PATCH_FILE = "patch.json"
RECORD_FILE = "record.npz"
STUDY_FILE = "study.log"
SOUND_FOLDERS = ("target", "match")

_SINGLE_FILES = (RUN_FILE, PATCH_FILE, RECORD_FILE, STUDY_FILE)
_SOUND = re.compile(rf"({'|'.join(SOUND_FOLDERS)})/[^/\\]+\.wav")
# Hidden, and of a form that nobody else's files have.
_TEMPORARY = re.compile(r"\.earwright-[0-9a-f]{16}\.tmp")


class Claim:
    """A folder kept for one run; in a ``with`` block it goes away again if nothing is written.

    Made by `claim_named` or `claim_numbered`; `move_in` fills it.
    """

    def __init__(self, path: Path, made: Sequence[Path]) -> None:
        self.path = path
        # Folders that were made for the claim, the outermost first.
        self._made = tuple(made)

    def __enter__(self) -> Self:
        """Give the claim itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Take the folder away if it is empty and was made for this."""
        for folder in reversed(self._made):
            with contextlib.suppress(OSError):
                folder.rmdir()

    def new_temporary(self) -> Path:
        """Make a hidden folder inside, for files that aren't complete yet."""
        temporary = self.path / f".earwright-{secrets.token_hex(8)}.tmp"
        temporary.mkdir()
        return temporary

    def move_in(self, temporary: Path, files: Sequence[str]) -> None:
        """Take the files of a temporary folder over; an earlier run goes away.

        `run.json` goes first and comes last: a folder that has one is complete.
        """
        stale = [self.path / name for name in own_files(self.path)]
        (self.path / RUN_FILE).unlink(missing_ok=True)
        moved: list[Path] = []
        try:
            for name in sorted(files, key=lambda name: name == RUN_FILE):
                final = self.path / name
                final.parent.mkdir(exist_ok=True)
                (temporary / name).replace(final)
                moved.append(final)
        except OSError:
            for path in moved:
                path.unlink(missing_ok=True)
            raise
        for path in stale:
            if path not in moved:
                path.unlink(missing_ok=True)
        sync_folder(self.path)

    def tidy(self) -> None:
        """Take away what interrupted writing left behind, and sound folders that stayed empty."""
        for entry in self.path.iterdir():
            if _TEMPORARY.fullmatch(entry.name):
                shutil.rmtree(entry, ignore_errors=True)
            elif entry.name in SOUND_FOLDERS:
                with contextlib.suppress(OSError):
                    entry.rmdir()


def claim_named(folder: str | Path, *, force: bool) -> Claim:
    """Claim the folder that the user names."""
    path = Path(folder)
    try:
        if path.is_file():
            raise RunFolderError(
                f"{path} is a file; a new or an empty folder is accepted. Name another one with "
                "--out.",
                path=path,
            )
        made = _make_folders(path)
        if not made and any(path.iterdir()):
            _check_occupied(path, force=force)
        _try_writing(path, made)
    except OSError as error:
        raise cannot_write(path, error) from error
    return Claim(path, made)


def claim_numbered(parent: Path, stem: str) -> Claim:
    """Claim the folder with the next free number: ``stem-1``, ``stem-2``, ..."""
    number = 0
    while True:
        number += 1
        path = parent / f"{stem}-{number}"
        try:
            made = _make_folders(path)
            # Made just now by us alone: two matches at once get two numbers.
            if made:
                _try_writing(path, made)
                return Claim(path, made)
        except OSError as error:
            if isinstance(error, FileExistsError) and os.path.lexists(path):
                continue
            raise cannot_write(path, error) from error


def own_files(folder: Path) -> list[str]:
    """List the files in a folder that an earlier run has written, as relative names.

    Only names that a run can have count, so that a changed `run.json` can't point elsewhere.
    """
    document = read_document(folder)
    if document is None:
        names = [name for name in _SINGLE_FILES if (folder / name).is_file()]
        for sub in SOUND_FOLDERS:
            names += [f"{sub}/{path.name}" for path in (folder / sub).glob("*.wav")]
        return names
    files = document.get("files")
    listed = files if isinstance(files, list) else []
    paths = [entry.get("path") for entry in listed if isinstance(entry, dict)]
    return [path for path in paths if isinstance(path, str) and _is_run_file(path)]


def read_document(folder: Path) -> dict[str, object] | None:
    """Read `run.json`; None if there is none of ours."""
    try:
        document = json.loads((folder / RUN_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    is_ours = isinstance(document, dict) and document.get("kind") == KIND
    return document if is_ours else None


def cannot_write(path: Path, error: OSError) -> RunFolderError:
    """Say why a run folder can't be written."""
    reason = error.strerror or str(error)
    return RunFolderError(
        f"{path} can't be written: {reason}. A folder that you may write to, with room for the "
        "run, is accepted; name one with --out.",
        path=path,
    )


def sync_folder(folder: Path) -> None:
    """Push new names to the disk, where the system lets a folder be opened."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _is_run_file(name: str) -> bool:
    """Say whether a run writes a file of this name."""
    return name in _SINGLE_FILES or _SOUND.fullmatch(name) is not None


def _check_occupied(path: Path, *, force: bool) -> None:
    """Refuse a folder with something in it, unless it is a run that may be replaced."""
    names = {entry.name for entry in path.iterdir() if not _TEMPORARY.fullmatch(entry.name)}
    # Without run.json: what an interrupted run left behind, and nothing else.
    is_remainder = names <= {*_SINGLE_FILES, *SOUND_FOLDERS} and RUN_FILE not in names
    is_run = read_document(path) is not None or is_remainder
    if not force:
        hint = ", or add --force to replace the run in it" if is_run else ""
        raise RunFolderError(
            f"{path} is not empty; a new or an empty folder is accepted. Name another one with "
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
        for folder in reversed(made):
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise
    return made


def _try_writing(path: Path, made: Sequence[Path]) -> None:
    """Write and remove something, so that a search isn't for nothing."""
    claim = Claim(path, made)
    try:
        claim.new_temporary().rmdir()
    except OSError:
        claim.__exit__(None, None, None)
        raise
