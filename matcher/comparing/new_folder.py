"""A folder for a new comparison."""

from __future__ import annotations

from pathlib import Path

from matcher.runs.run_folder import DEFAULT_PARENT
from matcher.runs.run_lock import LOCK_FILE
from shared import RunFolderError

__all__ = ["named_folder", "new_folder"]


def new_folder(stem: str) -> Path:
    """Make the folder with the next free number in ``runs``.

    Parameters
    ----------
    stem : str
        What its name begins with.

    Returns
    -------
    Path
        ``runs/STEM-1``, or the next number that is free.

    Raises
    ------
    RunFolderError
        If it can't be made.
    """
    number = 1
    while True:
        path = Path(DEFAULT_PARENT) / f"{stem}-{number}"
        try:
            # Two commands at once get two numbers: only one of them makes a folder.
            path.mkdir(parents=True)
        except FileExistsError:
            if not path.exists():
                raise _cannot_make(path, "a file is in the way") from None
            number += 1
        except OSError as error:
            raise _cannot_make(path, error.strerror or str(error)) from error
        else:
            return path


def named_folder(path: Path) -> Path:
    """Make a folder that the user names, or take it if nothing is in it.

    Parameters
    ----------
    path : Path
        The folder.

    Returns
    -------
    Path
        The same; it is there.

    Raises
    ------
    RunFolderError
        If something else is in it, or it can't be made.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
        # What is left of a command that ended before it had begun doesn't count.
        others = sorted({entry.name for entry in path.iterdir()} - {LOCK_FILE})
    except OSError as error:
        raise _cannot_make(path, error.strerror or str(error)) from error
    if others:
        raise RunFolderError(
            f"{path} is not empty ({others[0]} is in it) and holds no comparison; a new or an "
            "empty folder, or one of a comparison, is accepted. Name another one with --out.",
            path=path,
        )
    return path


def _cannot_make(path: Path, reason: str) -> RunFolderError:
    """Say why a folder can't be made."""
    return RunFolderError(
        f"{path} can't be used: {reason}. A folder that you may write to is accepted; name one "
        "with --out.",
        path=path,
    )
