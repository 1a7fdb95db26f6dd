"""Versions of a run: what they are, their files in ``versions/``, and what differs between two."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping  # noqa: TC003  a field of a public record
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec

from matcher.losses import LossBreakdown  # noqa: TC001  a field of a document
from matcher.parts import parameter_label, used_parameters, voice_parts
from matcher.runs.layout import VERSIONS_FOLDER, is_unfinished
from shared import CATALOGUE, ParameterError, Patch, RunFolderError, suggest_names
from shared.documents import Document, read_document, write_document

__all__ = [
    "PatchChange",
    "Version",
    "add_version",
    "compare_patches",
    "find_version",
    "forget_name",
    "list_versions",
    "name_version",
]

KEPT_FOLDER = "kept"
CURRENT = "now"
_FILE = re.compile(r"(\d{4,9})\.json", re.ASCII)
# File names on every system, and nothing that could be taken for a number or another folder.
_NAME = re.compile(r"[^\W\d_][\w -]{0,58}\w|[^\W\d_]")
_SETTINGS = re.compile(r"\d{1,4} settings?", re.ASCII)
_RESERVED = frozenset({CURRENT, "current", "start", "final", "con", "prn", "aux", "nul"})
_ADVICE = "Take the file from a copy of the run; the other versions can still be used."

# Where a version comes from: begin, stage, rung or end of the match, a refinement, a value set by
# hand, patch.json edited by hand, or an earlier version that was gone back to.
_Kind = Literal["start", "stage", "rung", "final", "refine", "set", "edit", "back"]
_Seconds = Annotated[float, msgspec.Meta(ge=0.0)]
_Number = Annotated[int, msgspec.Meta(ge=1)]


@dataclass(frozen=True)
class Version:
    """One state of the patch of a run.

    Parameters
    ----------
    number : int >= 1
        Its number within the run, in the order of time.
    kind : str
        Where it comes from: "start", "stage", "rung" (of the ladder) or "final" of the match,
        "refine", "set" (by hand),
        "edit" (of patch.json) or "back" (to an earlier version).
    title : str
        The same in a few words: ``"plain patch"`` for a stage, ``"refine filter*"``.
    note : str
        What the user wrote about it; empty if nothing.
    parent : int or None
        Number of the version that it was made from; None for the first.
    created : str
        When, as in ISO 8601 with the time zone.
    patch : Patch
        The whole patch, with the phases of the notes.
    loss : LossBreakdown or None
        Its loss on the notes of the run, mean over them; None if there is none.
    changed : mapping of str to (float, float)
        Values that differ from the parent's: before and after, in physical units.
    gates_s : tuple of float
        For how long the keys were held when the loss was measured, note by note, in seconds.
    names : tuple of str
        Names under which it was kept, in the order in which they were given.
    """

    number: int
    kind: str
    title: str
    note: str
    parent: int | None
    created: str
    patch: Patch
    loss: LossBreakdown | None
    changed: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    gates_s: tuple[float, ...] = ()
    names: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        return {
            "number": self.number,
            "what": self.kind,
            "title": self.title,
            "names": list(self.names),
            "note": self.note,
            "parent": self.parent,
            "created": self.created,
            "loss": None if self.loss is None else self.loss.to_dict(),
            "changed": {name: list(pair) for name, pair in self.changed.items()},
            "values": dict(self.patch.values),
        }

    @property
    def name(self) -> str | None:
        """The name that was given last, if any."""
        return self.names[-1] if self.names else None


@dataclass(frozen=True)
class PatchChange:
    """One parameter that differs between two patches.

    Parameters
    ----------
    name : str
        The parameter.
    part, label : str
        Title of its part of the voice, and what the control is called there.
    before, after : float
        Both values in physical units.
    before_text, after_text : str
        The same as on a panel, with units.
    is_used : bool
        Whether the parameter does something in at least one of the two patches.
    """

    name: str
    part: str
    label: str
    before: float
    after: float
    before_text: str
    after_text: str
    is_used: bool


class _VersionFile(Document, frozen=True, kw_only=True):
    """``versions/0001.json``; names are in files of their own."""

    kind: Literal["earwright version"]
    schema_version: Literal[1]
    number: _Number
    what: _Kind
    title: str
    note: str
    parent: _Number | None = None
    created: str
    loss: LossBreakdown | None = None
    changed: dict[str, tuple[float, float]] = msgspec.field(default_factory=dict)
    gates_s: tuple[_Seconds, ...] = ()
    patch: dict[str, Any]


class _NameFile(Document, frozen=True, kw_only=True):
    """``versions/kept/NAME.json``."""

    version: int
    name: str
    created: str = ""


def compare_patches(a: Patch, b: Patch) -> tuple[PatchChange, ...]:
    """List the parameters whose values differ.

    Phases don't count: they belong to a performance, and nobody can dial them in.

    Parameters
    ----------
    a, b : Patch
        Before and after.

    Returns
    -------
    tuple of PatchChange
        In the order in which a patch is read; empty if all values are equal to the bit.
    """
    used = used_parameters(a.values) | used_parameters(b.values)
    return tuple(
        PatchChange(
            name,
            part.title,
            parameter_label(name),
            a.values[name],
            b.values[name],
            CATALOGUE[name].format(a.values[name]),
            CATALOGUE[name].format(b.values[name]),
            name in used,
        )
        for part in voice_parts()
        for name in part.names
        if a.values[name] != b.values[name]
    )


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
    return tuple(_read(folder, number, names) for number in _numbers(folder))


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
    """Add a version with the next number; the arguments are as in `Version`.

    This writes the one file in ``versions/`` and leaves ``patch.json`` as it is; whoever calls
    holds the lock of the run (`matcher.runs.lock`).
    """
    folder = Path(run) / VERSIONS_FOLDER
    changes = () if parent is None else compare_patches(_load(folder, parent).patch, patch)
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
    write_document(folder / _file_name(version.number), _as_file(version), overwrite=False)
    return version


def find_version(run: str | Path, wanted: str | int | None = None) -> Version:
    """Find a version by its number or name.

    Parameters
    ----------
    run : str or Path
        The run folder.
    wanted : str or int, optional
        A number, a name under which a version was kept, a rung of the ladder ("14 settings"),
        or "start", "final" (the end of the match) or "now", which is meant if nothing is given.

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
    if not numbers:
        raise RunFolderError(
            f"{run} holds a match that hasn't ended. Go on with it: earwright match --resume {run}"
            if is_unfinished(Path(run))
            else f"{run} has no versions; it must be a run of `earwright match` that has ended.",
            path=run,
        )
    text = CURRENT if wanted is None else str(wanted).strip()
    if text == CURRENT:
        return _load(folder, numbers[-1])
    if text.isascii() and text.isdigit():
        if int(text) not in numbers:
            raise RunFolderError(
                f"{run} has no version {text}; 1 to {numbers[-1]} exist. See earwright versions.",
                path=run,
            )
        return _load(folder, int(text))
    return _named(run, folder, text)


def name_version(run: str | Path, name: str, version: str | int | None = None) -> Version:
    """Give a version (the current one if left out) a name that isn't used in the run yet.

    Names have 1 to 60 letters, digits, blanks, "-" and "_", with a letter first. Whoever calls
    holds the lock of the run.
    """
    title = name.strip()
    if not _NAME.fullmatch(title) or title.casefold() in _RESERVED:
        raise ParameterError(
            f'"{name}" is no name; it must be 1 to 60 letters, digits, blanks, - and _, a letter '
            f"first, and not {', '.join(sorted(_RESERVED))}. Choose another name.",
            name="name",
        )
    found = find_version(run, version)
    folder = Path(run) / VERSIONS_FOLDER
    for number, names in _kept_names(folder).items():
        if title.casefold() in {taken.casefold() for taken in names}:
            raise RunFolderError(
                f'{run} has kept version {number} as "{title}" already; a name stays with its '
                "version. Choose another name.",
                name="name",
                path=run,
            )
    _make(folder / KEPT_FOLDER)
    created = datetime.now(tz=UTC).isoformat(timespec="microseconds")
    kept = _NameFile(version=found.number, name=title, created=created)
    write_document(folder / KEPT_FOLDER / f"{title}.json", kept, overwrite=False)
    return replace(found, names=(*found.names, title))


def forget_name(run: str | Path, name: str) -> None:
    """Take a name back; its version stays. Whoever calls holds the lock of the run."""
    folder = Path(run) / VERSIONS_FOLDER
    if not any(name in names for names in _kept_names(folder).values()):
        raise RunFolderError(f'{run} has no version that is called "{name}".', path=run)
    (folder / KEPT_FOLDER / f"{name}.json").unlink()


def settings_title(n_settings: int) -> str:
    """Name a rung: ``"14 settings"``."""
    return f"{n_settings} setting{'' if n_settings == 1 else 's'}"


def _named(run: str | Path, folder: Path, text: str) -> Version:
    """Find a version by a kept name, or by what it is."""
    kept = _kept_names(folder)
    for number, names in kept.items():
        if text.casefold() in {name.casefold() for name in names}:
            return _load(folder, number)
    is_rung = _SETTINGS.fullmatch(text) is not None
    if text in {"start", "final"} or is_rung:
        for number in reversed(_numbers(folder)):
            version = _load(folder, number)
            if text == (version.title if is_rung and version.kind == "rung" else version.kind):
                return version
    known = [name for names in kept.values() for name in names] + ["start", "final", CURRENT]
    hint = suggest_names(text, known) or f"It must be {', '.join(known)} or a number."
    raise RunFolderError(f'{run} has no version "{text}". {hint}', path=run)


def _as_file(version: Version) -> _VersionFile:
    """Describe a version for its file; JSON holds no loss that isn't finite."""
    loss = version.loss
    if loss is not None and not all(
        map(math.isfinite, (loss.total, *loss.terms.values(), *loss.parts.values()))
    ):
        loss = None
    return _VersionFile(
        kind="earwright version",
        schema_version=1,
        number=version.number,
        what=version.kind,  # type: ignore[arg-type]
        title=version.title,
        note=version.note,
        parent=version.parent,
        created=version.created,
        loss=loss,
        changed=dict(version.changed),
        gates_s=version.gates_s,
        patch=version.patch.to_builtins(),
    )


def _load(folder: Path, number: int) -> Version:
    """Read one version with its names."""
    return _read(folder, number, _kept_names(folder))


def _read(folder: Path, number: int, names: Mapping[int, list[str]]) -> Version:
    """Read the file of a version."""
    path = folder / _file_name(number)
    kept = read_document(path, _VersionFile, error=RunFolderError, advice=_ADVICE)
    for name, is_wrong, needed in (
        ("number", kept.number != number, f"{number}, as the file is called"),
        ("parent", (kept.parent or 0) >= number, "the number of an earlier version, or null"),
    ):
        if is_wrong:
            value = getattr(kept, name)
            text = f"{path}, {name} is {value}; it must be {needed}. {_ADVICE}"
            raise RunFolderError(text, name=name, path=path)
    return Version(
        number=number,
        kind=kept.what,
        title=kept.title,
        note=kept.note,
        parent=kept.parent,
        created=kept.created,
        patch=Patch.from_builtins(kept.patch, source=f"{path}, patch"),
        loss=kept.loss,
        changed=kept.changed,
        gates_s=kept.gates_s,
        names=tuple(names.get(number, ())),
    )


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
    files = [
        read_document(path, _NameFile, error=RunFolderError, advice=_ADVICE)
        for path in kept.iterdir()
        if path.suffix == ".json" and path.stem[0] != "."
    ]
    names: dict[int, list[str]] = {}
    for file in sorted(files, key=lambda file: file.created):
        names.setdefault(file.version, []).append(file.name)
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
            f"{folder} can't be made: {error.strerror or error}. It must be a run folder that "
            "you may write to.",
            path=folder,
        ) from error
