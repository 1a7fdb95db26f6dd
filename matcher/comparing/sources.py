"""What is compared, brought into a form that travels to other processes and machines.

A worker need not see the disk of whoever asked: recordings and structure files travel as their
bytes. Their digests make the key of a run, so a recording or a structure that was changed is
never taken for the one before.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matcher.runs.file_names import common_name, unique_names
from matcher.target.manifest import ManifestEntry, is_manifest, read_every_instrument
from shared import ParameterError, TargetError, sha256_digest
from voice import Structure, load_structure

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from typing import Self

__all__ = ["RecordedNote", "StructureSource", "TargetSource", "list_structures_of", "list_targets"]

_MOST_NAMED = 5


@dataclass(frozen=True)
class RecordedNote:
    """One note of a target, and what is known of it.

    Parameters
    ----------
    path : str
        The recording.
    digest : str
        SHA-256 of the file.
    midi_pitch, velocity, gate_s, onset_s : number or None
        As a manifest says; None is read off the name or the sound.
    end_s : float or None
        Where the next note of the same recording begins, in s.
    """

    path: str
    digest: str
    midi_pitch: float | None = None
    velocity: int | None = None
    gate_s: float | None = None
    onset_s: float | None = None
    end_s: float | None = None

    @property
    def is_plain(self) -> bool:
        """Whether nothing is known of it but the recording."""
        said = (self.midi_pitch, self.velocity, self.gate_s, self.onset_s, self.end_s)
        return all(value is None for value in said)


@dataclass(frozen=True)
class TargetSource:
    """One target: the notes that one patch is to match.

    Parameters
    ----------
    name : str
        Its name in the comparison, fit for a file name.
    notes : tuple of RecordedNote
        At least one.
    """

    name: str
    notes: tuple[RecordedNote, ...]

    @property
    def digest(self) -> str:
        """SHA-256 over recordings and what is said of them; paths only count by their name."""
        said = [{**asdict(note), "path": Path(note.path).name} for note in self.notes]
        return sha256_digest(json.dumps(said, sort_keys=True).encode())

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        return {"name": self.name, "notes": [asdict(note) for note in self.notes]}

    @classmethod
    def from_dict(cls, document: dict[str, Any]) -> Self:
        """Read what `to_dict` gave.

        Parameters
        ----------
        document : mapping
            From JSON.

        Returns
        -------
        TargetSource
            The same.
        """
        return cls(document["name"], tuple(RecordedNote(**note) for note in document["notes"]))

    def read(self) -> dict[str, bytes]:
        """Read the recordings.

        Returns
        -------
        dict of str to bytes
            Content by digest.

        Raises
        ------
        TargetError
            If a file is gone, or isn't what it was.
        """
        content = {}
        for note in self.notes:
            data = _read_bytes(Path(note.path))
            if sha256_digest(data) != note.digest:
                raise TargetError(
                    f"{note.path} has changed since this comparison began; the same recording is "
                    "needed to go on. Bring it back, or begin anew in another folder.",
                    path=note.path,
                )
            content[note.digest] = data
        return content


@dataclass(frozen=True)
class StructureSource:
    """One structure, as the text of its file.

    Parameters
    ----------
    name : str
        The name in the file.
    text : str
        Content of the file, TOML.
    """

    name: str
    text: str

    @property
    def digest(self) -> str:
        """SHA-256 of the text."""
        return sha256_digest(self.text.encode())

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        return asdict(self)


def list_targets(given: Iterable[str | Path | Sequence[str | Path]]) -> tuple[TargetSource, ...]:
    """Find the targets that are meant, and read their recordings once for their digests.

    Parameters
    ----------
    given : iterable of str, Path, or sequence of them
        A recording is a target; a manifest gives a target for each of its instruments, and one
        for each note without an instrument; several recordings together are one target.

    Returns
    -------
    tuple of TargetSource
        With names of their own.

    Raises
    ------
    TargetError
        If a file can't be read, or a manifest can't be understood.
    ParameterError
        If nothing is given, or two targets are the same.
    """
    found = [source for one in given for source in _targets_of(one)]
    if not found:
        raise ParameterError(
            "targets is empty; at least one recording is needed.", name="targets", value=()
        )
    places: dict[str, str] = {}
    for source in found:
        where = source.notes[0].path
        if source.digest in places:
            raise ParameterError(
                f"{where} is given twice (also as {places[source.digest]}); each target may be "
                "given once. More seeds give more runs.",
                name="targets",
                value=where,
            )
        places[source.digest] = where
    names = unique_names([source.name for source in found])
    return tuple(replace(source, name=name) for source, name in zip(found, names, strict=True))


def list_structures_of(given: Iterable[str | Path | Structure]) -> tuple[StructureSource, ...]:
    """Read and check the structures that are meant.

    Parameters
    ----------
    given : iterable of str, Path or Structure
        Names of `voice.list_structures`, structure files, or what was loaded of them.

    Returns
    -------
    tuple of StructureSource
        In the order given.

    Raises
    ------
    StructureError
        If one can't be loaded.
    ParameterError
        If nothing is given, or two have the same name.
    """
    found: list[StructureSource] = []
    for one in given:
        structure = one if isinstance(one, Structure) else load_structure(one)
        source = StructureSource(structure.name, _text_of(structure))
        if source.name in {other.name for other in found}:
            raise ParameterError(
                f"structure {source.name} is given twice, or two files have that name; names of "
                "their own are needed. Change the name in a file, or leave one out.",
                name="structure",
                value=source.name,
            )
        found.append(source)
    if not found:
        raise ParameterError(
            "structures is empty; at least one is needed. `earwright structures` lists them.",
            name="structures",
            value=(),
        )
    return tuple(found)


def _targets_of(given: str | Path | Sequence[str | Path]) -> list[TargetSource]:
    """List the targets of one thing that was given."""
    if not isinstance(given, str | Path):
        notes = tuple(_plain_note(Path(path)) for path in given)
        if not notes:
            raise ParameterError(
                "a target is an empty list; at least one recording is needed.",
                name="targets",
                value=given,
            )
        return [TargetSource(common_name([Path(note.path).stem for note in notes]), notes)]
    if not is_manifest(given):
        return [TargetSource(Path(given).stem, (_plain_note(Path(given)),))]
    groups: dict[object, list[ManifestEntry]] = {}
    listed = read_every_instrument(given)
    _refuse_missing(given, listed)
    for place, entry in enumerate(listed):
        groups.setdefault(entry.instrument or place, []).append(entry)
    return [
        TargetSource(
            entries[0].instrument or entries[0].name, tuple(_said_note(entry) for entry in entries)
        )
        for entries in groups.values()
    ]


def _refuse_missing(manifest: str | Path, entries: Sequence[ManifestEntry]) -> None:
    """Name the recordings that aren't there, all at once: a library can have many."""
    missing = list(dict.fromkeys(str(e.path) for e in entries if not e.path.exists()))
    if len(missing) > 1:
        named = ", ".join(missing[:_MOST_NAMED])
        more = len(missing) - _MOST_NAMED
        raise TargetError(
            f"{manifest}: {len(missing)} recordings don't exist: {named}"
            f"{f' and {more} more' if more > 0 else ''}. Check their names, or leave them out.",
            path=manifest,
        )


def _plain_note(path: Path) -> RecordedNote:
    """Describe a recording of which nothing is said."""
    return RecordedNote(str(path.absolute()), sha256_digest(_read_bytes(path)))


def _said_note(entry: ManifestEntry) -> RecordedNote:
    """Describe an entry of a manifest."""
    given = entry.given
    try:
        digest = sha256_digest(_read_bytes(entry.path))
    except TargetError as error:
        raise TargetError(f"{entry.source}: {error}", path=entry.path) from error
    return RecordedNote(
        str(entry.path.absolute()),
        digest,
        None if given.midi_pitch is None else float(given.midi_pitch),
        given.velocity,
        given.gate_s,
        entry.onset_s,
        entry.end_s,
    )


def _read_bytes(path: Path) -> bytes:
    """Read a recording."""
    try:
        return path.read_bytes()
    except FileNotFoundError as error:
        raise TargetError(
            f"{path} doesn't exist; an audio file or a manifest (.toml) is accepted. Check the "
            "path.",
            path=path,
        ) from error
    except OSError as error:
        raise TargetError(
            f"{path} can't be read: {error.strerror or error}; an audio file is accepted.",
            path=path,
        ) from error


def _text_of(structure: Structure) -> str:
    """Return the text of a structure, which is what travels."""
    if not structure.toml:
        raise ParameterError(
            f"structure {structure.name} was made without a file; one that was read from TOML is "
            "needed, as its text goes to the processes. Write it to a file and load that.",
            name="structure",
            value=structure.name,
        )
    return structure.toml
