"""The folder that the page works in, and the only files that it touches.

::

    .                          where `earwright page` was started, as for the command line
        runs/NAME              runs, the same that `earwright match` makes
        earwright-page/
            targets/NAME/      recordings, and manifest.toml with what is played in them
            structures/        structure files that were given to the page
            jobs/NUMBER/       work in processes of its own: job.json, events.jsonl, log.txt

A target is a folder with a manifest, so the command line takes it as well:
``earwright match earwright-page/targets/NAME/manifest.toml``.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import re
from collections import OrderedDict
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, Generic, TypeVar

from matcher.runs.folder import DEFAULT_PARENT
from matcher.runs.layout import safe_name
from shared import FileError, ParameterError

if TYPE_CHECKING:
    from collections.abc import Callable

Value = TypeVar("Value")
OWN_FOLDER = "earwright-page"
# What `safe_name` makes holds no separators; a leading dot would be hidden, or the folder above.
_SENTENCE_END = re.compile(r"(?<=[.!?])\s+")
_TYPED = re.compile(r"(?<!\S)--[a-z]|`|\bearwright [a-z]|\bPython\b")
_NAME = re.compile(r"[^./\\\0][^/\\\0]{0,199}")
# What Linux and macOS let a name have (POSIX, NAME_MAX); longer ones name nothing.
_NAME_BYTES = 255


class Workspace:
    """Places in a folder, each checked to lie inside of it.

    Parameters
    ----------
    root : str or Path
        The folder; it must exist.

    Raises
    ------
    FileError
        If it is no folder.
    """

    def __init__(self, root: str | Path) -> None:
        self.root = Path(root).resolve()
        if not self.root.is_dir():
            raise FileError(
                f"{root} is no folder. Make it first, or name another.",
                path=root,
            )
        own = self.root / OWN_FOLDER
        self.runs = self.root / DEFAULT_PARENT
        self.targets, self.structures, self.jobs = (
            own / "targets",
            own / "structures",
            own / "jobs",
        )

    def inside(self, folder: Path, name: str) -> Path:
        """Name a place in a folder by a name that came from the browser."""
        place = folder / name
        if not (_is_name(name) and self._holds(place)):
            raise _no_such(name)
        return place

    def existing(self, folder: Path, name: str) -> Path:
        """Find something that must be there; every route and every job comes in by this door.

        It may be a link that stays in the workspace; in it nothing may be a link, so whatever is
        opened there later lies where it seems to.
        """
        place = self.inside(folder, name)
        if not place.exists():
            raise _no_such(name)
        for parent, folders, files in os.walk(place):
            link = next((x for x in folders + files if Path(parent, x).is_symlink()), None)
            if link is not None:
                raise ParameterError(
                    f"{name} holds a link, {link[:80]}, which isn't opened: files of a run or a "
                    "target must lie in its folder. Put the file itself there.",
                    name="name",
                )
        return place

    def names(self, folder: Path, needed: str) -> list[str]:
        """List the folders in a folder that hold a certain file, the newest file first.

        What can't be read is left out, and so is what `left_out` names.
        """
        found = []
        for entry in _entries(folder):
            # What somebody else takes away meanwhile, or keeps to himself, isn't there.
            with contextlib.suppress(OSError):
                if _is_name(entry.name) and self._holds(entry):
                    found.append(((entry / needed).stat().st_mtime, entry.name))
        return [name for _, name in sorted(found, reverse=True)]

    def left_out(self) -> list[dict[str, str]]:
        """Name runs and targets that aren't opened, as they are links that lead elsewhere."""
        problem = "a link that leads out of the folder, or to itself; it isn't opened."
        return [
            {"name": f"{folder.name}/{entry.name}", "problem": problem}
            for folder in (self.runs, self.targets)
            for entry in _entries(folder)
            if not self._holds(entry)
        ]

    def _holds(self, place: Path) -> bool:
        """Say whether a place lies in the workspace once links are followed."""
        try:
            return place.resolve().is_relative_to(self.root)
        except (OSError, RuntimeError, ValueError):
            # It leads to itself, or is no name for this system.
            return False

    def new_folder(self, parent: Path, text: str, *, default: str) -> Path:
        """Make a folder with a safe and free name, near to what it should be called."""
        parent.mkdir(parents=True, exist_ok=True)
        base = safe_name(text, default=default)
        for number in itertools.count(1):
            place = parent / numbered(base, number)
            try:
                place.mkdir()
            except FileExistsError:
                continue
            break
        return place

    def shown(self, text: str) -> str:
        """Take the folder out of a text, and what only helps who types commands."""
        return without_commands(text.replace(str(self.root / "x")[:-1], ""))


class Kept(Generic[Value]):
    """The last few values that took long to make, by their keys, for several threads."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._values: OrderedDict[object, Value] = OrderedDict()
        self._lock = Lock()

    def get(self, key: object, make: Callable[[], Value]) -> Value:
        """Return what is kept, or make it; made twice at once, the later one is kept."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                return self._values[key]
        value = make()
        with self._lock:
            self._values[key] = value
            while len(self._values) > self._most:
                self._values.popitem(last=False)
        return value


def without_commands(text: str) -> str:
    """Leave out sentences that name options, commands or Python, unless nothing else is left."""
    kept = [each for each in _SENTENCE_END.split(text) if not _TYPED.search(each)]
    return " ".join(kept) or text


def _is_name(name: str) -> bool:
    """Say whether a text can be the name of a file or folder of a user."""
    is_short = len(name.encode("utf-8", "surrogatepass")) <= _NAME_BYTES
    return is_short and _NAME.fullmatch(name) is not None


def _entries(folder: Path) -> list[Path]:
    """List what is in a folder; nothing if it can't be read."""
    try:
        return sorted(folder.iterdir())
    except OSError:
        return []


def numbered(name: str, number: int) -> str:
    """Return a name as it is for 1, and with the number from 2 on."""
    return name if number == 1 else f"{name}-{number}"


def free_file(folder: Path, stem: str, suffix: str) -> Path:
    """Return a path in a folder that is free."""
    paths = (folder / f"{numbered(stem, number)}{suffix}" for number in itertools.count(1))
    return next(path for path in paths if not path.exists())


def plain_file_name(file_name: str) -> str:
    """Return the last part of a file's name on the user's machine, whatever system that has."""
    return file_name.replace("\\", "/").rsplit("/", maxsplit=1)[-1]


def _no_such(name: str) -> ParameterError:
    """Build the error for a name that leads nowhere."""
    return ParameterError(
        f'"{name[:80]}" is not here any more. Reload the page.',
        name="name",
    )
