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

from matcher.runs.run_document import KIND
from matcher.runs.run_lock import LOCK_FILE, TEMPORARY_FOLDER, lock_run
from shared import RunFolderError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from types import TracebackType
    from typing import Self

__all__: list[str] = []

RUN_FILE = "run.json"
PATCH_FILE = "patch.json"
RECORD_FILE = "record.npz"
EVALUATIONS_FILE = "evaluations.npz"
STUDY_FILE = "study.log"
REPORT_FILE = "report.html"
PLOTS_FOLDER = "plots"
SOUND_FOLDERS = ("target", "match")
SEARCHES_FOLDER = "searches"

_SINGLE_FILES = (RUN_FILE, PATCH_FILE, RECORD_FILE, EVALUATIONS_FILE, STUDY_FILE)
_SOUND = re.compile(rf"({'|'.join(SOUND_FOLDERS)})/[^/\\]+\.wav")
# What is made of a run later, and goes away with it.
_DERIVED = re.compile(
    r"explain\.json|build/[^/\\]+\.wav|versions/\d{4,9}\.json|versions/kept/[^/\\]+\.json"
    r"|searches/\d{4,9}/([\w-]+/)?[\w.-]+"
)
_OWN_FOLDERS = (*SOUND_FOLDERS, SEARCHES_FOLDER, PLOTS_FOLDER, "versions", "build")


class Claim:
    """A folder kept for one run; in a ``with`` block it goes away again if nothing is written.

    Made by `claim_named`, `claim_numbered` or `claim_run`, which take the lock of the folder;
    `move_in` fills it.
    """

    def __init__(
        self,
        path: Path,
        made: Sequence[Path],
        lock: contextlib.AbstractContextManager[None] | None = None,
        *,
        has_new_lock: bool = False,
    ) -> None:
        self.path = path
        self.has_new_lock = has_new_lock
        # Folders that were made for the claim, the outermost first.
        self._made = tuple(made)
        self._lock = lock

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
        with contextlib.suppress(OSError):
            if [entry.name for entry in self.path.iterdir()] == [LOCK_FILE]:
                (self.path / LOCK_FILE).unlink()
        for folder in reversed(self._made):
            with contextlib.suppress(OSError):
                folder.rmdir()
        if self._lock is not None:
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
        sync_folder(self.path)

    def tidy(self) -> None:
        """Take away what interrupted writing left behind, and sound folders that stayed empty."""
        for entry in self.path.iterdir():
            if TEMPORARY_FOLDER.fullmatch(entry.name):
                shutil.rmtree(entry, ignore_errors=True)
            elif entry.name in _OWN_FOLDERS and entry.is_dir():
                remove_empty_folders(entry)


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
        claim = _locked_claim(path, made)
    except OSError as error:
        raise cannot_write(path, error) from error
    with _given_up_on_error(claim):
        if not made and set(_names(path)):
            _check_occupied(path, force=force)
        _try_writing(claim)
    return claim


def claim_run(folder: Path) -> Claim:
    """Claim a folder that holds a run, to add to it."""
    claim = _locked_claim(folder, ())
    with _given_up_on_error(claim):
        _try_writing(claim)
    return claim


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
                claim = _locked_claim(path, made)
                with _given_up_on_error(claim):
                    _try_writing(claim)
                return claim
        except OSError as error:
            if isinstance(error, FileExistsError) and os.path.lexists(path):
                continue
            raise cannot_write(path, error) from error


def own_files(folder: Path) -> list[str]:
    """List the files in a folder that an earlier run has written, as relative names.

    Only names that a run can have count, so that a changed `run.json` can't point elsewhere.
    """
    below = [folder / "explain.json"]
    for sub in ("versions", SEARCHES_FOLDER, "build"):
        below += (folder / sub).rglob("*")
    present = [path.relative_to(folder).as_posix() for path in below if path.is_file()]
    derived = [name for name in present if _DERIVED.fullmatch(name)] + _pages(folder)
    document = read_document(folder)
    if document is None:
        names = [name for name in _SINGLE_FILES if (folder / name).is_file()]
        for sub in SOUND_FOLDERS:
            names += [f"{sub}/{path.name}" for path in (folder / sub).glob("*.wav")]
        return names + derived
    files = document.get("files")
    listed = files if isinstance(files, list) else []
    paths = [entry.get("path") for entry in listed if isinstance(entry, dict)]
    return [path for path in paths if isinstance(path, str) and _is_run_file(path)] + derived


def _pages(folder: Path) -> list[str]:
    """List the report and its pictures, which are written after the run and tell about it."""
    report = [REPORT_FILE] if (folder / REPORT_FILE).is_file() else []
    pictures = sorted((folder / PLOTS_FOLDER).glob("*-*.*")) + [
        folder / PLOTS_FOLDER / f"convergence.{kind}" for kind in ("png", "svg")
    ]
    is_ours = [path for path in pictures if path.suffix in {".png", ".svg"} and path.is_file()]
    return report + [f"{PLOTS_FOLDER}/{path.name}" for path in is_ours]


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


def remove_empty_folders(folder: Path) -> None:
    """Take away a folder, and those in it, where they hold nothing."""
    inside = sorted(path for path in folder.rglob("*") if path.is_dir())
    for path in (*reversed(inside), folder):
        with contextlib.suppress(OSError):
            path.rmdir()


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
    names = {name for name in _names(path) if not TEMPORARY_FOLDER.fullmatch(name)}
    # Without run.json: what an interrupted run left behind, and nothing else.
    pages = {REPORT_FILE, PLOTS_FOLDER}
    is_remainder = names <= {*_SINGLE_FILES, *_OWN_FOLDERS, *pages} and RUN_FILE not in names
    is_run = read_document(path) is not None or is_remainder
    if not force:
        hint = ", or add --force to replace the run in it" if is_run else ""
        if is_remainder and SEARCHES_FOLDER in names:
            hint = (
                ", go on with the search in it (earwright match --resume), or add --force to "
                "replace it"
            )
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


def _names(folder: Path) -> list[str]:
    """List what is in a folder, besides the lock."""
    return [entry.name for entry in folder.iterdir() if entry.name != LOCK_FILE]


def _locked_claim(path: Path, made: Sequence[Path]) -> Claim:
    """Take the lock of a folder; if that fails, folders that were made for it go away."""
    lock = lock_run(path)
    is_new = not (path / LOCK_FILE).exists()
    try:
        lock.__enter__()
    except RunFolderError:
        for folder in reversed(made):
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise
    return Claim(path, made, lock, has_new_lock=is_new)


@contextlib.contextmanager
def _given_up_on_error(claim: Claim) -> Iterator[None]:
    """Give a claim up if the block fails, and leave the folder as it was found."""
    try:
        yield
    except BaseException as error:
        if claim.has_new_lock:
            # Windows deletes no file that is open; giving the claim up tries again.
            with contextlib.suppress(OSError):
                (claim.path / LOCK_FILE).unlink()
        claim.__exit__(None, None, None)
        if isinstance(error, OSError):
            raise cannot_write(claim.path, error) from error
        raise


def _try_writing(claim: Claim) -> None:
    """Write and remove something, so that a search isn't for nothing."""
    claim.new_temporary().rmdir()
