"""What is compared, brought into a form that travels to other processes and machines, and back.

A worker need not see the disk of whoever asked: recordings and structure files travel as their
bytes. Their digests make the key of a run, so a recording or a structure that was changed is
never taken for the one before.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from matcher.runs.layout import common_name, unique_names
from matcher.target.manifest import ManifestEntry, is_manifest, read_every_instrument
from shared import ParameterError, TargetError, sha256_digest
from voice import Structure, load_structure

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from matcher.target import Target

__all__ = [
    "RecordedNote",
    "Recordings",
    "StructureSource",
    "TargetSource",
    "in_user_words",
    "list_structures_of",
    "list_targets",
]

# Content of recordings by their digest.
Recordings: TypeAlias = Mapping[str, bytes]

_MOST_NAMED = 5
# Instruments in the manifests that are written for a job.
_MATCHED, _ANOTHER = "matched", "another"


@dataclass(frozen=True)
class RecordedNote:
    """One note of a target: its file, the SHA-256 of that, and what a manifest says of it.

    None is read off the name or the sound; `end_s` is where the next note of the same recording
    begins.
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
    """One target: the notes that one patch is to match; the name is fit for a file name."""

    name: str
    notes: tuple[RecordedNote, ...]

    @property
    def digest(self) -> str:
        """SHA-256 over recordings and what is said of them; paths only count by their name."""
        said = [{**asdict(note), "path": Path(note.path).name} for note in self.notes]
        return sha256_digest(json.dumps(said, sort_keys=True).encode())

    def read(self) -> dict[str, bytes]:
        """Read the recordings by digest; refuse one that is gone, or isn't what it was."""
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

    def load(self, recordings: Recordings, folder: Path) -> Target:
        """Load the target from the bytes of its recordings, which are written into a folder."""
        from matcher.target import load_target  # noqa: PLC0415  loads librosa

        paths: dict[str, Path] = {}
        for note in self.notes:
            if note.digest not in paths:
                # A folder for each: two recordings may have one name.
                paths[note.digest] = folder / str(len(paths)) / Path(note.path).name
                paths[note.digest].parent.mkdir()
                paths[note.digest].write_bytes(recordings[note.digest])
        if all(note.is_plain for note in self.notes):
            target = load_target(*(paths[note.digest] for note in self.notes))
        else:
            manifest = folder / f"{self.name}.toml"
            text = "\n".join(
                _manifest_entries(
                    [note for note in self.notes if note.digest == digest],
                    path.relative_to(folder).as_posix(),
                )
                for digest, path in paths.items()
            )
            manifest.write_text(text, encoding="utf-8")
            target = load_target(manifest, instrument=_MATCHED)
        return replace(
            target,
            notes=tuple(
                replace(
                    note, warnings=tuple(in_user_words(text, folder) for text in note.warnings)
                )
                for note in target.notes
            ),
        )


@dataclass(frozen=True)
class StructureSource:
    """One structure, as the name in its file and the text of that."""

    name: str
    text: str

    @property
    def digest(self) -> str:
        """SHA-256 of the text."""
        return sha256_digest(self.text.encode())


def in_user_words(message: str, folder: Path) -> str:
    """Name files and ways out in a message about a copy in a job's folder as the user knows them.

    What `match` takes as an option, a manifest says here.
    """
    text = re.sub(rf"{re.escape(str(folder))}[/\\\\](\d+[/\\\\])?", "", message)
    return re.sub(r"\b(?:Give|Set) --(pitch|velocity|gate)\b", r"Say the \1 in a manifest", text)


def list_targets(given: Iterable[str | Path | Sequence[str | Path]]) -> tuple[TargetSource, ...]:
    """Find the targets that are meant, and read their recordings once for their digests.

    A recording is a target; a manifest gives a target for each of its instruments, and one for
    each note without an instrument; several recordings together are one target.
    """
    found = [source for one in given for source in _targets_of(one)]
    if not found:
        raise ParameterError("targets is empty; at least one recording is needed.", name="targets")
    places: dict[str, str] = {}
    for source in found:
        where = source.notes[0].path
        if source.digest in places:
            raise ParameterError(
                f"{where} is given twice (also as {places[source.digest]}); each target may be "
                "given once. More seeds give more runs.",
                name="targets",
            )
        places[source.digest] = where
    names = unique_names([source.name for source in found])
    return tuple(replace(source, name=name) for source, name in zip(found, names, strict=True))


def list_structures_of(given: Iterable[str | Path | Structure]) -> tuple[StructureSource, ...]:
    """Read and check the structures that are meant, in the order given."""
    found: dict[str, StructureSource] = {}
    for one in given:
        structure = one if isinstance(one, Structure) else load_structure(one)
        name = structure.name
        if not structure.toml:
            raise ParameterError(
                f"structure {name} was made without a file; one that was read from TOML is "
                "needed, as its text goes to the processes. Write it to a file and load that.",
                name="structure",
            )
        if name in found:
            raise ParameterError(
                f"structure {name} is given twice, or two files have that name; names of "
                "their own are needed. Change the name in a file, or leave one out.",
                name="structure",
            )
        found[name] = StructureSource(name, structure.toml)
    if not found:
        raise ParameterError(
            "structures is empty; at least one is needed. `earwright structures` lists them.",
            name="structures",
        )
    return tuple(found.values())


def _targets_of(given: str | Path | Sequence[str | Path]) -> list[TargetSource]:
    """List the targets of one thing that was given."""
    if not isinstance(given, str | Path):
        notes = tuple(_plain_note(Path(path)) for path in given)
        if not notes:
            raise ParameterError(
                "a target is an empty list; at least one recording is needed.", name="targets"
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
        note = _plain_note(entry.path)
    except TargetError as error:
        raise TargetError(f"{entry.source}: {error}", path=entry.path) from error
    return replace(
        note,
        midi_pitch=None if given.midi_pitch is None else float(given.midi_pitch),
        velocity=given.velocity,
        gate_s=given.gate_s,
        onset_s=entry.onset_s,
        end_s=entry.end_s,
    )


def _read_bytes(path: Path) -> bytes:
    """Read a recording."""
    try:
        return path.read_bytes()
    except FileNotFoundError as error:
        raise TargetError(
            f"{path} doesn't exist; it must name an audio file or a manifest (.toml). Check the "
            "path.",
            path=path,
        ) from error
    except OSError as error:
        raise TargetError(
            f"{path} can't be read: {error.strerror or error}; it must be an audio file.",
            path=path,
        ) from error


def _manifest_entries(notes: Sequence[RecordedNote], file: str) -> str:
    """Write the notes of one recording as entries of a manifest."""
    tables: list[dict[str, object]] = [
        {
            "file": file,
            "instrument": _MATCHED,
            "pitch": note.midi_pitch,
            "velocity": note.velocity,
            "gate_s": note.gate_s,
            "onset_s": note.onset_s,
        }
        for note in notes
    ]
    # Notes of other targets in the same recording end the ones before them.
    ends = {note.end_s for note in notes} - {note.onset_s for note in notes} - {None}
    tables += [{"file": file, "instrument": _ANOTHER, "onset_s": end_s} for end_s in ends]
    # A JSON string is a TOML string, too.
    lines = [
        line
        for table in tables
        for line in (
            "[[target]]",
            *(f"{key} = {json.dumps(x)}" for key, x in table.items() if x is not None),
        )
    ]
    return "\n".join([*lines, ""])
