"""The folder ``versions/`` of a run: listing, adding, naming, finding."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from matcher.runs.differences import compare_patches
from matcher.runs.run_reading import is_unfinished
from matcher.runs.version import Version
from matcher.runs.version_document import read_json, read_version, to_text
from shared import ParameterError, RunFolderError, suggest_names, write_atomic

if TYPE_CHECKING:
    from matcher.losses import LossBreakdown
    from shared import Patch

__all__ = ["add_version", "find_version", "list_versions", "name_version", "split_version"]

VERSIONS_FOLDER = "versions"
KEPT_FOLDER = "kept"
CURRENT = "current"
_FILE = re.compile(r"(\d{4,9})\.json", re.ASCII)
# File names on every system, and nothing that could be taken for a number or another folder.
_NAME = re.compile(r"[^\W\d_][\w -]{0,58}\w|[^\W\d_]")
_RESERVED = frozenset({CURRENT, "start", "final", "con", "prn", "aux", "nul"})


def list_versions(run: str | Path) -> tuple[Version, ...]:
    """List the versions of a run.

    Parameters
    ----------
    run : str or Path
        The run folder.

    Returns
    -------
    tuple of Version
        In the order of their numbers; the last one is the current state. Empty if the run has
        none.

    Raises
    ------
    RunFolderError
        If a file of a version is damaged; it is named.
    """
    folder = Path(run) / VERSIONS_FOLDER
    names = _kept_names(folder)
    return tuple(
        read_version(folder / _file_name(number), number, tuple(names.get(number, ())))
        for number in _numbers(folder)
    )


def add_version(
    run: str | Path,
    patch: Patch,
    *,
    kind: str,
    title: str,
    parent: int | None,
    note: str = "",
    loss: LossBreakdown | None = None,
    gates_s: tuple[float, ...] = (),
) -> Version:
    """Add a version with the next number.

    This writes the one file in ``versions/`` and leaves ``patch.json`` as it is; whoever calls
    holds the lock of the run (`matcher.runs.run_lock`).

    Parameters
    ----------
    run : str or Path
        The run folder.
    patch : Patch
        The whole patch.
    kind, title, parent, note, loss, gates_s
        As in `Version`.

    Returns
    -------
    Version
        As it was written.

    Raises
    ------
    FileError
        If the file can't be written.
    RunFolderError
        If the parent doesn't exist, or is damaged.
    """
    folder = Path(run) / VERSIONS_FOLDER
    before = None if parent is None else _load(folder, parent).patch
    changes = () if before is None else compare_patches(before, patch)
    version = Version(
        number=(_numbers(folder) or [0])[-1] + 1,
        kind=kind,
        title=title,
        note=" ".join(note.split()),
        parent=parent,
        created=datetime.now(tz=UTC).isoformat(timespec="seconds"),
        patch=patch,
        loss=loss,
        changed={change.name: (change.before, change.after) for change in changes},
        gates_s=gates_s,
    )
    _make(folder)
    write_atomic(folder / _file_name(version.number), to_text(version), overwrite=False)
    return version


def find_version(run: str | Path, wanted: str | int | None = None) -> Version:
    """Find a version by its number or name.

    Parameters
    ----------
    run : str or Path
        The run folder.
    wanted : str or int, optional
        A number, a name under which a version was kept, or "start", "final" (the end of the
        match) or "current", which is meant if nothing is given.

    Returns
    -------
    Version
        The version.

    Raises
    ------
    RunFolderError
        If the run has no versions, or none of that name or number.
    """
    folder = Path(run) / VERSIONS_FOLDER
    numbers = _numbers(folder)
    if not numbers and is_unfinished(Path(run)):
        raise RunFolderError(
            f"{run} holds a match that hasn't ended. Go on with it: earwright match --resume "
            f"{run}",
            path=run,
        )
    if not numbers:
        raise RunFolderError(
            f"{run} has no versions; a run of `earwright match` that has ended is accepted.",
            path=run,
        )
    text = CURRENT if wanted is None else str(wanted).strip()
    if text == CURRENT:
        return _load(folder, numbers[-1])
    if text.isascii() and text.isdigit():
        if int(text) not in numbers:
            raise RunFolderError(
                f"{run} has no version {text}; 1 to {numbers[-1]} are there. See `earwright log`.",
                value=text,
                path=run,
            )
        return _load(folder, int(text))
    return _named(run, folder, text)


def name_version(run: str | Path, name: str, version: str | int | None = None) -> Version:
    """Give a version a name.

    Parameters
    ----------
    run : str or Path
        The run folder; whoever calls holds its lock.
    name : str
        1 to 60 letters, digits, blanks, "-" and "_", with a letter first; not yet used in this
        run.
    version : str or int, optional
        Which one, as for `find_version`; the current one if left out.

    Returns
    -------
    Version
        The version with its new name.

    Raises
    ------
    ParameterError
        If the name isn't accepted.
    RunFolderError
        If the name is taken, or there is no such version.
    FileError
        If it can't be written.
    """
    title = name.strip()
    if not _NAME.fullmatch(title) or title.casefold() in _RESERVED:
        raise ParameterError(
            f'"{name}" is not accepted as a name; 1 to 60 letters, digits, blanks, - and _ are, '
            f"a letter first, and not {', '.join(sorted(_RESERVED))}. Choose another name.",
            name="name",
            value=name,
        )
    found = find_version(run, version)
    folder = Path(run) / VERSIONS_FOLDER
    for number, names in _kept_names(folder).items():
        if title.casefold() in {taken.casefold() for taken in names}:
            raise RunFolderError(
                f'{run} has kept version {number} as "{title}" already; a name stays with its '
                "version. Choose another name.",
                name="name",
                value=name,
                path=run,
            )
    _make(folder / KEPT_FOLDER)
    created = datetime.now(tz=UTC).isoformat(timespec="microseconds")
    text = json.dumps({"version": found.number, "name": title, "created": created})
    write_atomic(folder / KEPT_FOLDER / f"{title}.json", f"{text}\n", overwrite=False)
    return replace(found, names=(*found.names, title))


def split_version(text: str | Path) -> tuple[Path, str | None]:
    """Split a run folder from a version of it, as in ``runs/horn@3``.

    Parameters
    ----------
    text : str or Path
        As the user wrote it.

    Returns
    -------
    tuple of (Path, str or None)
        The folder, and the version if there is one. A folder that has the whole name comes first.
    """
    path = Path(text)
    folder, mark, version = str(text).rpartition("@")
    if not mark or not folder or path.exists():
        return path, None
    return Path(folder), version


def _named(run: str | Path, folder: Path, text: str) -> Version:
    """Find a version by a kept name, or by what it is."""
    kept = _kept_names(folder)
    for number, names in kept.items():
        if text.casefold() in {name.casefold() for name in names}:
            return _load(folder, number)
    if text in {"start", "final"}:
        for number in reversed(_numbers(folder)):
            version = _load(folder, number)
            if version.kind == text:
                return version
    known = [name for names in kept.values() for name in names] + ["start", "final", CURRENT]
    hint = suggest_names(text, known) or f"{', '.join(known)} and numbers are accepted."
    raise RunFolderError(f'{run} has no version "{text}". {hint}', value=text, path=run)


def _load(folder: Path, number: int) -> Version:
    """Read one version with its names."""
    path = folder / _file_name(number)
    return read_version(path, number, tuple(_kept_names(folder).get(number, ())))


def _numbers(folder: Path) -> list[int]:
    """List the numbers of all versions, rising."""
    if not folder.is_dir():
        return []
    found = (_FILE.fullmatch(entry.name) for entry in folder.iterdir())
    return sorted(int(form[1]) for form in found if form)


def _kept_names(folder: Path) -> dict[int, list[str]]:
    """List the kept names of each version, in the order in which they were given."""
    kept = folder / KEPT_FOLDER
    if not kept.is_dir():
        return {}
    documents = [
        read_json(path)
        for path in kept.iterdir()
        if path.suffix == ".json" and path.stem[0] != "."
    ]
    names: dict[int, list[str]] = {}
    for document in sorted(documents, key=lambda document: str(document.get("created"))):
        if isinstance(document.get("version"), int) and isinstance(document.get("name"), str):
            names.setdefault(document["version"], []).append(document["name"])
    return names


def _file_name(number: int) -> str:
    """Name the file of a version."""
    return f"{number:04d}.json"


def _make(folder: Path) -> None:
    """Make a folder inside of the run."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RunFolderError(
            f"{folder} can't be made: {error.strerror or error}. A run folder that you may write "
            "to is accepted.",
            path=folder,
        ) from error
