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
import math
import os
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from matcher.target.build import DEFAULT_VELOCITY, GivenNote
from shared.errors import ParameterError, TargetError, suggest_names
from shared.files import read_text_file
from shared.notes import Note, parse_pitch

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__ = ["ManifestEntry", "is_manifest", "read_every_instrument", "read_manifest"]

FIELDS = ("file", "pitch", "velocity", "gate_s", "onset_s", "instrument")
MAX_BYTES = 1_000_000
# Spelt so nearly like one of ours that it must be a slip: "gate" for gate_s, "velocty".
SLIP_RATIO = 0.8


@dataclass(frozen=True)
class ManifestEntry:
    """One note of a manifest.

    Parameters
    ----------
    source : str
        Manifest and number of the entry, for messages.
    name : str
        What to call the note: the stem of the file, numbered if the file has several.
    path : Path
        The recording.
    given : GivenNote
        What the entry says of the note.
    onset_s : float or None
        Where in the recording the note begins, in s.
    end_s : float or None
        Where the next note of the same recording begins, in s; None if this is the last one.
    instrument : str or None
        The instrument.
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
    document = _document(Path(path))
    tables = document.get("target")
    if not isinstance(tables, list) or not tables:
        raise TargetError(
            f"{path}, target: a list of notes is needed, each under [[target]].",
            name="target",
            path=path,
        )
    entries = [
        _entry(Path(path), f"{path}, target {number}", table)
        for number, table in enumerate(tables, start=1)
    ]
    return _with_ends(entries)


def _document(path: Path) -> dict[str, Any]:
    """Read a TOML file."""
    try:
        if path.is_file() and path.stat().st_size > MAX_BYTES:
            raise TargetError(
                f"{path} has {path.stat().st_size} bytes; manifests of up to {MAX_BYTES} bytes "
                "are accepted.",
                path=path,
            )
        return tomllib.loads(read_text_file(path))
    except FileNotFoundError as error:
        raise TargetError(
            f"{path} doesn't exist; a manifest is needed. Check the path.", path=path
        ) from error
    except OSError as error:
        raise TargetError(
            f"{path} can't be read: {error.strerror or error}; a manifest in TOML is accepted.",
            path=path,
        ) from error
    except (ValueError, RecursionError) as error:
        # TOMLDecodeError is a ValueError, and so is a number of more digits than Python reads.
        raise TargetError(
            f"{path} is no TOML: {error}. See targets/manifest.toml for one that is.", path=path
        ) from error


def _entry(manifest: Path, source: str, table: object) -> ManifestEntry:
    """Read one entry."""
    if not isinstance(table, dict):
        raise TargetError(f"{source}: a table is needed, under [[target]].", path=manifest)
    for name in table:
        near = difflib.get_close_matches(name, FIELDS, n=1, cutoff=SLIP_RATIO)
        if near and name not in FIELDS:
            raise TargetError(
                f"{source}, {name}: there is no such field. Did you mean {near[0]}?",
                name=name,
                path=manifest,
            )
    instrument = table.get("instrument")
    if instrument is not None and (not isinstance(instrument, str) or not instrument):
        _refuse(source, "instrument", instrument, "a name is accepted")
    path = _recording(manifest, source, table.get("file"))
    return ManifestEntry(
        source=source,
        name=path.stem,
        path=path,
        given=_given(source, table),
        onset_s=_number(source, table, "onset_s"),
        end_s=None,
        instrument=instrument,
    )


def _recording(manifest: Path, source: str, file: object) -> Path:
    """Find the recording of an entry."""
    if file is None:
        raise TargetError(f"{source}, file: is missing; the path of a recording is needed.")
    if not isinstance(file, str) or not file or "\0" in file:
        _refuse(source, "file", file, "the path of a recording is accepted")
    path = Path(file)
    if path.is_absolute():
        return path
    # By its text, not by where links lead: a folder may be linked, and that is the user's doing.
    inside = Path(os.path.normpath(path))
    if ".." in inside.parts or "\\" in file:
        _refuse(
            source,
            "file",
            file,
            "a path within the manifest's folder, with / between folders, or an absolute one is "
            "accepted",
        )
    return manifest.parent / inside


def _given(source: str, table: Mapping[str, object]) -> GivenNote:
    """Read pitch, velocity and gate."""
    pitch, velocity, gate_s = (
        table.get("pitch"),
        table.get("velocity"),
        _number(source, table, "gate_s"),
    )
    if pitch is not None and (isinstance(pitch, bool) or not isinstance(pitch, str | int | float)):
        _refuse(source, "pitch", pitch, "a note name or a MIDI pitch is accepted")
    if velocity is not None and (isinstance(velocity, bool) or not isinstance(velocity, int)):
        _refuse(source, "velocity", velocity, "a whole number from 1 to 127 is accepted")
    try:
        midi_pitch = parse_pitch(str(pitch)) if pitch is not None else None
        Note(
            60.0,
            DEFAULT_VELOCITY if velocity is None else velocity,
            1.0 if gate_s is None else gate_s,
        )
    except ParameterError as error:
        raise TargetError(f"{source}, {error}", name=error.name, value=error.value) from error
    return GivenNote(midi_pitch, velocity, gate_s)


def _number(source: str, table: Mapping[str, Any], name: str) -> float | None:
    """Read a time in s."""
    value = table.get(name)
    if value is None:
        return None
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    try:
        seconds = float(value) if is_number else math.nan
    except OverflowError:
        # Whole numbers have no limit in TOML.
        seconds = math.inf
    if not 0.0 <= seconds < math.inf:
        _refuse(source, name, value, "a number of seconds, 0 or more, is accepted")
    return seconds


def _refuse(source: str, name: str, value: object, accepted: str) -> NoReturn:
    """Raise for one field."""
    raise TargetError(f"{source}, {name}: {value!r} is given; {accepted}.", name=name, value=value)


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
                value=entry.onset_s,
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
            value=instrument,
            path=path,
        )
    return [entry for entry in entries if entry.instrument == instrument]
