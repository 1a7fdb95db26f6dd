"""A target in one file, exactly as it was matched.

The sounds in ``target/`` are for the ear: limited in level and rounded to 24 bits. Going on with
a search, or refining its patch, needs the very samples and the analysis that the losses were
measured on. Nothing in the file is executed when it is read.
"""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

from matcher.optimise import state_from_bytes, state_to_bytes
from matcher.target import Target, TargetNote
from matcher.target.model import LevelTrack, NoteAnalysis, PitchTrack
from shared import Note, ParameterError, RunFolderError, write_atomic

__all__ = ["TARGET_FILE", "read_target", "write_target"]

TARGET_FILE = "target.npz"
_KIND = "earwright target"
_VERSION = 1


def write_target(target: Target, path: str | Path, *, overwrite: bool = False) -> None:
    """Write a target.

    Parameters
    ----------
    target : Target
        The notes.
    path : str or Path
        File to write.
    overwrite : bool
        Whether a file of that name may be replaced.

    Raises
    ------
    FileError
        If the file can't be written.
    """
    notes = {str(i): _plain(note) for i, note in enumerate(target.notes)}
    document = {"kind": _KIND, "version": _VERSION, "digest": target.digest, "notes": notes}
    write_atomic(path, state_to_bytes(document), overwrite=overwrite)


def read_target(path: str | Path) -> Target:
    """Read what `write_target` wrote.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    Target
        The same notes, to the bit.

    Raises
    ------
    RunFolderError
        If the file is missing, damaged or something else.
    """
    try:
        document = state_from_bytes(Path(path).read_bytes())
        if (document.get("kind"), document.get("version")) != (_KIND, _VERSION):
            raise ValueError("it is another kind of file")  # noqa: TRY301
        notes = document["notes"]
        target = Target(tuple(_note(notes[str(i)]) for i in range(len(notes))))
        if target.digest != document["digest"]:
            raise ValueError("its sound isn't the one that was written")  # noqa: TRY301
    except FileNotFoundError as error:
        raise RunFolderError(
            f"{path} is missing, so this run can't be gone on with or refined; runs of "
            "`earwright match` have it. Match again, or give the recordings.",
            path=path,
        ) from error
    except (OSError, ParameterError, KeyError, TypeError, ValueError) as error:
        raise RunFolderError(
            f"{path} can't be read: {error}. Take it from a copy of the run, or match again.",
            path=path,
        ) from error
    return target


def _plain(value: Any) -> Any:  # noqa: ANN401  any field of a note
    """Turn dataclasses into dicts, and sets and tuples into lists."""
    if is_dataclass(value):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, frozenset):
        return sorted(value)
    return list(value) if isinstance(value, tuple) else value


def _note(document: dict[str, Any]) -> TargetNote:
    """Make a note again."""
    analysis = dict(document["analysis"])
    if analysis["pitch_track"] is not None:
        analysis["pitch_track"] = PitchTrack(**analysis["pitch_track"])
    analysis["level_track"] = LevelTrack(**analysis["level_track"])
    return TargetNote(
        **{
            **document,
            "note": Note(**document["note"]),
            "analysis": NoteAnalysis(**analysis),
            "estimated": frozenset(document["estimated"]),
            "warnings": tuple(document["warnings"]),
        }
    )
