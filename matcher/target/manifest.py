"""Manifests: TOML files that list recordings, and say what is played in them.

::

    [[target]]
    file = "horn_C4_loud.flac"    # needed; beside the manifest or in a folder below it
    pitch = "C4"                  # a note name, or a MIDI pitch
    velocity = 100
    gate_s = 0.35
    onset_s = 0.1                 # where in the file the note begins
    instrument = "horn"           # for a manifest of several instruments

What is left out is read off the recording, as without a manifest; other fields and other tables
are the user's own. Several entries may name one file, if each has an `onset_s`: a note then ends
where the next one begins. A path may not lead out of the manifest's folder, unless it is
absolute: a manifest can come from somebody else.
"""

from __future__ import annotations

import difflib
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import msgspec

from matcher.target.note import DEFAULT_VELOCITY, GivenNote
from shared.documents import Document, document_from, read_toml
from shared.errors import ParameterError, TargetError, suggest_names
from shared.notes import Note, parse_pitch

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["ManifestEntry", "is_manifest", "read_every_instrument", "read_manifest"]

MAX_BYTES = 1_000_000
# Spelt so nearly like one of ours that it must be a slip: "gate" for gate_s, "velocty".
SLIP_RATIO = 0.8
ADVICE = "See targets/manifest.toml for one that is right."

_Name = Annotated[str, msgspec.Meta(min_length=1)]
_Seconds = Annotated[float, msgspec.Meta(ge=0.0)]


class _Manifest(Document, frozen=True):
    """A manifest; what else is in it is the user's own."""

    target: Annotated[list[dict[str, Any]], msgspec.Meta(min_length=1)]


class _Entry(Document, frozen=True):
    """One table of a manifest; the defaults only say that a field may be left out."""

    file: _Name
    pitch: str | int | float = ""
    velocity: Annotated[int, msgspec.Meta(ge=1, le=127)] = DEFAULT_VELOCITY
    gate_s: _Seconds = 1.0
    onset_s: _Seconds = 0.0
    instrument: _Name = ""


@dataclass(frozen=True)
class ManifestEntry:
    """One note of a manifest; `source` is the manifest and the number of the entry, for messages.

    `end_s` is where the next note of the same recording begins, None if this is the last one.
    """

    source: str
    name: str
    path: Path
    given: GivenNote
    onset_s: float | None
    end_s: float | None
    instrument: str | None


def is_manifest(path: str | Path) -> bool:
    """Say whether a path is taken for a manifest, by its suffix."""
    return Path(path).suffix.lower() == ".toml"


def read_manifest(path: str | Path, *, instrument: str | None = None) -> list[ManifestEntry]:
    """Read the notes of a manifest, or those of one of its instruments."""
    return _of_instrument(path, read_every_instrument(path), instrument)


def read_every_instrument(path: str | Path) -> list[ManifestEntry]:
    """Read the notes of all instruments of a manifest."""
    document = read_toml(path, _Manifest, error=TargetError, advice=ADVICE, max_bytes=MAX_BYTES)
    entries = [
        _entry(Path(path), f"{path}, target {number}", table)
        for number, table in enumerate(document.target, start=1)
    ]
    return _with_ends(entries)


def _entry(manifest: Path, source: str, table: dict[str, Any]) -> ManifestEntry:
    """Read one entry."""
    fields = _Entry.__struct_fields__
    for name in table:
        near = difflib.get_close_matches(name, fields, n=1, cutoff=SLIP_RATIO)
        if near and name not in fields:
            raise TargetError(
                f"{source}, {name}: there is no such field. Did you mean {near[0]}?",
                name=name,
                path=manifest,
            )
    own = {name: value for name, value in table.items() if name in fields}
    entry = document_from(
        own, _Entry, where=source, error=TargetError, advice=ADVICE, path=manifest
    )
    said: dict[str, Any] = {name: getattr(entry, name) for name in own}
    path = _recording(manifest, source, entry.file)
    try:
        midi_pitch = parse_pitch(str(entry.pitch)) if "pitch" in said else None
        Note(60.0, entry.velocity, entry.gate_s)
    except ParameterError as error:
        raise TargetError(f"{source}, {error}", name=error.name) from error
    return ManifestEntry(
        source=source,
        name=path.stem,
        path=path,
        given=GivenNote(midi_pitch, said.get("velocity"), said.get("gate_s")),
        onset_s=said.get("onset_s"),
        end_s=None,
        instrument=said.get("instrument"),
    )


def _recording(manifest: Path, source: str, file: str) -> Path:
    """Find the recording of an entry."""
    path = Path(file)
    if path.is_absolute() and "\0" not in file:
        return path
    # By its text, not by where links lead: a folder may be linked, and that is the user's doing.
    inside = Path(os.path.normpath(path))
    if ".." in inside.parts or "\\" in file or "\0" in file:
        raise TargetError(
            f"{source}, file: {file!r} is given; it must be a path within the manifest's folder, "
            "with / between folders, or an absolute one.",
            name="file",
        )
    return manifest.parent / inside


def _with_ends(entries: Sequence[ManifestEntry]) -> list[ManifestEntry]:
    """Let notes of one file end where the next one begins."""
    onsets: dict[Path, list[float | None]] = {}
    for entry in entries:
        onsets.setdefault(entry.path, []).append(entry.onset_s)
    result = []
    for given in entries:
        entry, every = given, onsets[given.path]
        if len(every) > 1 and (entry.onset_s is None or every.count(entry.onset_s) > 1):
            raise TargetError(
                f"{entry.source}, onset_s: {'none' if entry.onset_s is None else entry.onset_s} "
                f"is given, and {len(every)} notes are in {entry.path.name}; an onset of its own "
                "is needed for each.",
                name="onset_s",
            )
        if len(every) > 1:
            times = sorted(x for x in every if x is not None)
            number = times.index(entry.onset_s or 0.0) + 1
            end_s = times[number] if number < len(times) else None
            entry = replace(entry, name=f"{entry.name}-{number}", end_s=end_s)
        result.append(entry)
    return result


def _of_instrument(
    path: str | Path, entries: list[ManifestEntry], instrument: str | None
) -> list[ManifestEntry]:
    """Choose the entries of one instrument."""
    names = list(dict.fromkeys(entry.instrument for entry in entries))
    known = [name for name in names if name is not None]
    listed = ", ".join(known) or "none"
    if instrument is None:
        if len(names) > 1:
            raise TargetError(
                f"{path} has several instruments ({listed}), and one patch is for one of them. "
                "Give --instrument, or instrument= from Python.",
                name="instrument",
                path=path,
            )
        return entries
    if instrument not in known:
        hint = suggest_names(instrument, known)
        raise TargetError(
            f'instrument is "{instrument}", and {path} has: {listed}. {hint}'.rstrip(),
            name="instrument",
            path=path,
        )
    return [entry for entry in entries if entry.instrument == instrument]
