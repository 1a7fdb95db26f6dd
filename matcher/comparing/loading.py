"""From the bytes of recordings, as they travel with a job, to a target."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matcher.comparing.sources import RecordedNote, TargetSource
    from matcher.target import Target

__all__ = ["in_user_words", "load_source"]

# Instruments in the manifests that are written for a job.
MATCHED = "matched"
ANOTHER = "another"


def load_source(source: TargetSource, recordings: Mapping[str, bytes], folder: Path) -> Target:
    """Load a target from the bytes of its recordings.

    Parameters
    ----------
    source : TargetSource
        What the recordings are.
    recordings : mapping of str to bytes
        Content by digest.
    folder : Path
        Where files may be written.

    Returns
    -------
    Target
        As `load_target` gives it.
    """
    from matcher.target import load_target  # noqa: PLC0415  loads librosa

    paths: dict[str, Path] = {}
    for note in source.notes:
        if note.digest not in paths:
            # A folder for each: two recordings may have one name.
            paths[note.digest] = folder / str(len(paths)) / Path(note.path).name
            paths[note.digest].parent.mkdir()
            paths[note.digest].write_bytes(recordings[note.digest])
    if all(note.is_plain for note in source.notes):
        return _told(load_target(*(paths[note.digest] for note in source.notes)), folder)
    tables = [
        table
        for digest, path in paths.items()
        for table in _tables(
            [note for note in source.notes if note.digest == digest],
            path.relative_to(folder).as_posix(),
        )
    ]
    manifest = folder / f"{source.name}.toml"
    manifest.write_text("\n".join(tables), encoding="utf-8")
    return _told(load_target(manifest, instrument=MATCHED), folder)


def _told(target: Target, folder: Path) -> Target:
    """Bring what was assumed about the notes into the user's words."""
    return replace(
        target,
        notes=tuple(
            replace(note, warnings=tuple(in_user_words(text, folder) for text in note.warnings))
            for note in target.notes
        ),
    )


def in_user_words(message: str, folder: str | Path) -> str:
    """Name files and ways out in a message as the user knows them.

    Parameters
    ----------
    message : str
        A message about a file in a job's folder.
    folder : str or Path
        The job's folder.

    Returns
    -------
    str
        The message without the folder and the number below it. What `match` takes as an option,
        a manifest says here.
    """
    text = re.sub(rf"{re.escape(str(folder))}[/\\\\](\d+[/\\\\])?", "", message)
    return re.sub(r"\b(?:Give|Set) --(pitch|velocity|gate)\b", r"Say the \1 in a manifest", text)


def _tables(notes: Sequence[RecordedNote], file: str) -> list[str]:
    """Write the notes of one recording as entries of a manifest."""
    tables = [
        _table(
            file=file,
            instrument=MATCHED,
            pitch=note.midi_pitch,
            velocity=note.velocity,
            gate_s=note.gate_s,
            onset_s=note.onset_s,
        )
        for note in notes
    ]
    # Notes of other targets in the same recording end the ones before them.
    onsets = {note.onset_s for note in notes}
    ends = {note.end_s for note in notes} - onsets - {None}
    return tables + [_table(file=file, instrument=ANOTHER, onset_s=end_s) for end_s in ends]


def _table(**fields: object) -> str:
    """Write one entry; a JSON string is a TOML string, too."""
    lines = [f"{key} = {json.dumps(value)}" for key, value in fields.items() if value is not None]
    return "\n".join(["[[target]]", *lines, ""])
