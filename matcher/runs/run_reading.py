"""Reading ``run.json`` back, with every field that paths are made of checked."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from matcher.optimise import current_sampler
from matcher.runs.claim import (
    PATCH_FILE,
    RECORD_FILE,
    RUN_FILE,
    SEARCHES_FOLDER,
    SOUND_FOLDERS,
    STUDY_FILE,
)
from matcher.runs.run_document import KIND, SCHEMA_VERSION
from matcher.runs.run_shapes import check_shapes
from shared import Note, ParameterError, RunFolderError
from shared.files import read_text_file

__all__: list[str] = []


@dataclass(frozen=True)
class RunNote:
    """One note of a run.

    Parameters
    ----------
    name : str
        Name of the note, as it was given; for the names of files see the paths.
    played : Note
        Pitch, velocity and gate with which it was matched.
    target, match : Path
        The target and the patch playing it.
    """

    name: str
    played: Note
    target: Path
    match: Path


def read_run(
    folder: Path,
) -> tuple[dict[str, object], tuple[RunNote, ...], tuple[RunNote, ...]]:
    """Read `run.json` and what it says about the notes, whose files must be there."""
    document = _read_document(folder)
    notes = _read_notes(folder, document)
    left_out = _read_left_out(folder, document)
    sounds = [path for note in (*notes, *left_out) for path in (note.target, note.match)]
    for path in (*(folder / name for name in (PATCH_FILE, RECORD_FILE, STUDY_FILE)), *sounds):
        if not path.is_file():
            raise RunFolderError(
                f"{path} is missing, so the run is not complete. Copy the folder whole, or run "
                "the match again.",
                path=path,
            )
    return document, notes, left_out


def is_unfinished(run: Path) -> bool:
    """Whether a folder holds a search that has not come to a run yet."""
    return not (run / RUN_FILE).exists() and any((run / SEARCHES_FOLDER).glob("*/request.json"))


def _read_document(folder: Path) -> dict[str, object]:
    """Read the document and check what it is."""
    path = folder / RUN_FILE
    try:
        text = read_text_file(path)
    except FileNotFoundError as error:
        if is_unfinished(folder):
            raise RunFolderError(
                f"{folder} holds a match that hasn't ended. Go on with it: earwright match "
                f"--resume {folder}",
                path=folder,
            ) from error
        what = "has no run.json" if folder.is_dir() else "is no folder"
        raise RunFolderError(
            f"{folder} {what}; a folder that `earwright match` has written is accepted. Check "
            "the name.",
            path=folder,
        ) from error
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it isn't text in UTF-8"
        raise RunFolderError(f"{path} can't be read: {reason}.", path=path) from error
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise RunFolderError(
            f"{path} is no JSON: {error}. Run the match again.", path=path
        ) from error
    if not isinstance(document, dict) or document.get("kind") != KIND:
        raise RunFolderError(
            f'{path}, kind: "{KIND}" is needed; this is another file. Check the name.', path=path
        )
    version = document.get("schema_version")
    if version != SCHEMA_VERSION:
        raise RunFolderError(
            f"{path}, schema_version: {version!r} is not known; {SCHEMA_VERSION} is accepted. A "
            "newer earwright may have written it.",
            name="schema_version",
            value=version,
            path=path,
        )
    check_shapes(path, document)
    settings = document.get("settings") or {}
    if "sampler" in settings:
        settings["sampler"] = current_sampler(settings["sampler"])
    return document


def _read_notes(folder: Path, document: dict[str, object]) -> tuple[RunNote, ...]:
    """Read what is said about the notes."""
    notes = document.get("notes")
    if not isinstance(notes, list) or not notes:
        raise RunFolderError(
            f"{folder / RUN_FILE}, notes: a list of at least one note is needed.", path=folder
        )
    return tuple(_read_note(folder, f"notes[{i}]", note) for i, note in enumerate(notes))


def _read_left_out(folder: Path, document: dict[str, object]) -> tuple[RunNote, ...]:
    """Read what is said about notes that were left out, if any were."""
    notes = document.get("left_out", [])
    if not isinstance(notes, list):
        raise RunFolderError(
            f"{folder / RUN_FILE}, left_out: a list of notes is needed.", path=folder
        )
    return tuple(_read_note(folder, f"left_out[{i}]", note) for i, note in enumerate(notes))


def _read_note(folder: Path, field: str, note: object) -> RunNote:
    """Read one note."""
    fields = note if isinstance(note, dict) else {}
    name, files, played = (fields.get(key) for key in ("name", "files", "played"))
    if not isinstance(name, str) or not isinstance(files, dict) or not isinstance(played, dict):
        raise RunFolderError(
            f"{folder / RUN_FILE}, {field}: name, files and played are needed.", path=folder
        )
    target, match = (folder / _read_file(folder, field, files, sub) for sub in SOUND_FOLDERS)
    return RunNote(name, _read_played(folder, field, played), target, match)


def _read_played(folder: Path, field: str, played: dict[str, object]) -> Note:
    """Read pitch, velocity and gate."""
    values = [played.get(key) for key in ("midi_pitch", "velocity", "gate_s")]
    try:
        if not all(isinstance(x, (int, float)) and not isinstance(x, bool) for x in values):
            raise ParameterError(f"{values} aren't three numbers.", value=values)  # noqa: TRY301
        return Note(*values)  # type: ignore[arg-type]
    except ParameterError as error:
        raise RunFolderError(
            f"{folder / RUN_FILE}, {field}.played: {error}", name=f"{field}.played", path=folder
        ) from error


def _read_file(folder: Path, field: str, files: dict[str, object], sub: str) -> str:
    """Read the name of a file, which must lie in its folder: names come from outside."""
    value = files.get(sub)
    if isinstance(value, str):
        parts = PurePosixPath(value).parts
        if len(parts) == 2 and parts[0] == sub and ".." not in parts and "\\" not in value:
            return value
    raise RunFolderError(
        f"{folder / RUN_FILE}, {field}.files.{sub}: {value!r} is not accepted; a file in {sub}/ "
        "is.",
        name=f"{field}.files.{sub}",
        value=value,
        path=folder,
    )
