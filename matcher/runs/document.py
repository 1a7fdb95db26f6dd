"""The content of ``run.json``: everything about a run that isn't sound, written and read back."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar

import msgspec
import numpy as np

from matcher.hearing import JUST_NOTICEABLE, audible_differences, compare_notes
from matcher.optimise import current_sampler
from matcher.runs.layout import (
    KIND,
    PATCH_FILE,
    RECORD_FILE,
    RUN_FILE,
    SOUND_FOLDERS,
    STUDY_FILE,
    is_unfinished,
)
from matcher.target.note import read_name
from shared import Note, RunFolderError, pitch_name, seconds_to_samples
from shared.documents import Document, document_from, read_document

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.hearing import AudibleDifference
    from matcher.result import LeftOutNote, MatchResult, NoteMatch, Rung
    from matcher.target import TargetNote

__all__: list[str] = []

SCHEMA_VERSION = 1
COPY_ADVICE = "Take the file from a copy of the run."
RunKind = TypeVar("RunKind", bound="RunDocument")


class _Files(Document, frozen=True, kw_only=True):
    """Where the sounds of a note are, within the run folder."""

    target: str
    match: str


class _NoteEntry(Document, frozen=True, kw_only=True):
    """What is read of a note; the rest is for people and pages."""

    name: str
    files: _Files
    played: Note
    onset_s: float | None = None
    audible: list[Any] | None = None


class _LossEntry(Document, frozen=True, kw_only=True):
    """A loss; what isn't finite was written as null."""

    total: float | None = None
    terms: dict[str, float | None] | None = None


class _Improvement(Document, frozen=True, kw_only=True):
    """One step of the history."""

    evaluations: float | None = None
    elapsed_s: float | None = None
    loss: float | None = None


class LadderEntry(Document, frozen=True, kw_only=True):
    """One rung of the ladder: its settings, its version, and what it adds to the next shorter."""

    settings: Annotated[int, msgspec.Meta(ge=0)]
    version: Annotated[int, msgspec.Meta(ge=1)]
    distance: float | None = None
    adds: tuple[str, ...] = ()
    missed: dict[str, float] = msgspec.field(default_factory=dict)
    is_suggested: bool = False


class _FileEntry(Document, frozen=True, kw_only=True):
    """One file of the list of files."""

    path: str


class RunDocument(Document, frozen=True, kw_only=True):
    """``run.json`` as far as readers rely on it: what is there is of this form, or null."""

    kind: Literal["earwright run"]
    schema_version: Literal[1]
    notes: Annotated[list[_NoteEntry], msgspec.Meta(min_length=1)]
    left_out: list[_NoteEntry] = msgspec.field(default_factory=list)
    settings: dict[str, Any] | None = None
    figures: dict[str, float | None] | None = None
    loss: dict[str, _LossEntry | None] | None = None
    history: list[_Improvement | None] | None = None
    target: dict[str, Any] | None = None
    versions: dict[str, Any] | None = None
    warnings: list[Any] | None = None
    # Runs of matches that were made before there was one have none.
    ladder: list[LadderEntry] = msgspec.field(default_factory=list)
    is_ladder_whole: bool = False


class WholeRunDocument(RunDocument, frozen=True, kw_only=True):
    """The same with the fields that are renewed with each version."""

    files: list[_FileEntry]
    loss: dict[str, _LossEntry | None]


@dataclass(frozen=True)
class RunNote:
    """One note of a run: its name as it was given, and the target and the patch playing it."""

    name: str
    # Pitch, velocity and gate with which it was matched.
    played: Note
    target: Path
    match: Path


def run_document(
    result: MatchResult,
    names: Sequence[str],
    gains: Sequence[float],
    *,
    command_line: Sequence[str] | None,
) -> dict[str, object]:
    """Describe a run, all but the list of files; names and gains are those of the sounds.

    First come those of the fitted notes, then those of the notes that were left out.
    """
    structure = result.structure
    n_fitted = len(result.notes)
    notes = zip(
        result.notes, names[:n_fitted], gains[:n_fitted], audible_differences(result), strict=True
    )
    left_out = zip(result.left_out, names[n_fitted:], gains[n_fitted:], strict=True)
    return {
        "kind": KIND,
        "schema_version": SCHEMA_VERSION,
        "created": datetime.now(tz=UTC).isoformat(timespec="seconds"),
        "command_line": None if command_line is None else list(command_line),
        "settings": dict(result.settings),
        "seed": result.settings.get("seed"),
        "versions": result.patch.provenance.get("versions", {}),
        "structure": {
            "name": structure.name,
            "meaning": structure.meaning,
            "n_free": len(structure.space),
            "searched": list(result.space.names),
            "not_searched": [n for n in structure.space.names if n not in result.space],
        },
        "target": {
            "digest": result.target.digest,
            "sample_rate_hz": result.target.sample_rate_hz,
        },
        "notes": [note_entry(*note) for note in notes],
        "left_out": [_left_out_note(*note) for note in left_out],
        # What "audible" and "not_audible" of the notes go by.
        "just_noticeable": [record.to_dict() for record in JUST_NOTICEABLE.values()],
        "warnings": [text for match in result.notes for text in match.note.warnings],
        "figures": figures(result),
        "stop_reason": result.stop_reason,
        "loss": {"start": result.start.to_dict(), "end": result.end.to_dict()},
        "history": [
            {"evaluations": n, "elapsed_s": elapsed_s, "loss": loss}
            for n, elapsed_s, loss in result.history()
        ],
    }


def ladder_entries(ladder: Sequence[Rung], versions: Sequence[int]) -> list[dict[str, object]]:
    """Describe the rungs of a ladder, longest first; each is a version of the run."""
    return [
        {
            "settings": rung.n_settings,
            "version": version,
            "distance": rung.loss.total,
            "adds": list(rung.adds),
            "missed": dict(rung.missed),
            "is_suggested": rung.is_suggested,
        }
        for rung, version in zip(ladder, versions, strict=True)
    ]


def figures(result: MatchResult) -> dict[str, float]:
    """Say how much was tried and how fast."""
    elapsed_s = result.elapsed_s
    overhead = 1.0 - result.busy_s / elapsed_s if elapsed_s > 0.0 else 0.0
    return {
        "evaluations": result.n_evaluations,
        "evaluations_per_s": result.evaluations_per_s,
        "elapsed_s": elapsed_s,
        "busy_s": result.busy_s,
        "search_overhead_ratio": max(overhead, 0.0),
    }


def sources(note: TargetNote) -> dict[str, str]:
    """Say where pitch, velocity and gate come from: given, file name, heard or assumed."""
    hints = read_name(note.name)
    pitch = "file name" if hints.midi_pitch == note.note.midi_pitch else "given"
    velocity = "file name" if hints.velocity == note.note.velocity else "given"
    return {
        "pitch": "heard" if "pitch" in note.estimated else pitch,
        # Nothing in one recording tells how hard the key was struck.
        "velocity": "assumed" if "velocity" in note.estimated else velocity,
        "gate": "heard" if "gate" in note.estimated else "given",
    }


def note_entry(
    match: NoteMatch | LeftOutNote,
    name: str,
    gain: float,
    differences: Sequence[AudibleDifference],
) -> dict[str, object]:
    """Describe one note: what was played, what was heard, what is left between the two."""
    note = match.note
    origin = sources(note)
    return {
        "name": note.name,
        "files": {"target": f"target/{name}.wav", "match": f"match/{name}.wav"},
        # Both files are the sounds times this factor.
        "gain": gain,
        "played": {
            "midi_pitch": note.note.midi_pitch,
            "pitch_name": pitch_name(note.note.midi_pitch),
            "velocity": note.note.velocity,
            "gate_s": note.note.gate_s,
            "sources": origin,
        },
        "sample_rate_hz": note.sample_rate_hz,
        "n_samples": len(note.signal),
        "onset_s": note.onset_s,
        "onset_sample": seconds_to_samples(note.onset_s, note.sample_rate_hz),
        "source_onset_s": note.source_onset_s,
        "level_db": note.level_db,
        "noise_floor_db": note.noise_floor_db,
        "heard": _heard(note),
        "warnings": list(note.warnings),
        "loss": match.loss.to_dict(),
        "audible": [each.to_dict() for each in differences if each.is_audible],
        "not_audible": [each.to_dict() for each in differences if not each.is_audible],
    }


def _left_out_note(note: LeftOutNote, name: str, gain: float) -> dict[str, object]:
    """Describe a note that the patch was not fitted to."""
    return {
        **note_entry(note, name, gain, compare_notes(note.note, note.sound)),
        "is_left_out": True,
        "fitted_loss": note.fitted.to_dict(),
        "level_gap_db": note.level_gap_db,
        # No part of the patch; with them, a render is this very sound.
        "phases": dict(note.phases),
        "patch_values": dict(note.patch.values),
    }


def _heard(note: TargetNote) -> dict[str, object]:
    """Collect the single figures of the analysis; tracks can be measured again from the sound."""
    analysis = note.analysis
    every = {field.name: getattr(analysis, field.name) for field in fields(analysis)}
    return {name: value for name, value in every.items() if value is None or np.isscalar(value)}


def read_run(
    folder: Path,
) -> tuple[dict[str, object], tuple[RunNote, ...], tuple[RunNote, ...]]:
    """Read `run.json` and what it says about the notes, whose files must be there."""
    data, document = read_run_document(folder, RunDocument)
    notes = tuple(_note(folder, f"notes[{i}]", x) for i, x in enumerate(document.notes))
    left_out = tuple(_note(folder, f"left_out[{i}]", x) for i, x in enumerate(document.left_out))
    sounds = [path for note in (*notes, *left_out) for path in (note.target, note.match)]
    for path in (*(folder / name for name in (PATCH_FILE, RECORD_FILE, STUDY_FILE)), *sounds):
        if not path.is_file():
            raise RunFolderError(
                f"{path} is missing, so the run is not complete. Copy the folder whole, or run "
                "the match again.",
                path=path,
            )
    return data, notes, left_out


def read_run_document(folder: Path, kind: type[RunKind]) -> tuple[dict[str, Any], RunKind]:
    """Read `run.json` as it is, and checked."""
    path = folder / RUN_FILE
    if not path.exists():
        if is_unfinished(folder):
            raise RunFolderError(
                f"{folder} holds a match that hasn't ended. Go on with it: earwright match "
                f"--resume {folder}",
                path=folder,
            )
        what = "has no run.json" if folder.is_dir() else "is no folder"
        raise RunFolderError(
            f"{folder} {what}; it must be a folder that `earwright match` has written. Check "
            "the name.",
            path=folder,
        )
    data: dict[str, Any] = read_document(path, dict, error=RunFolderError)
    checked = document_from(
        data, kind, where=str(path), error=RunFolderError, advice=COPY_ADVICE, path=path
    )
    settings = data.get("settings")
    if isinstance(settings, dict) and isinstance(settings.get("sampler"), str):
        settings["sampler"] = current_sampler(settings["sampler"])
    return data, checked


def _note(folder: Path, field: str, entry: _NoteEntry) -> RunNote:
    """Find the sounds of a note, which must lie in their folders: names come from outside."""
    paths = []
    for sub, value in zip(SOUND_FOLDERS, (entry.files.target, entry.files.match), strict=True):
        parts = PurePosixPath(value).parts
        if len(parts) != 2 or parts[0] != sub or ".." in parts or "\\" in value:
            raise RunFolderError(
                f"{folder / RUN_FILE}, {field}.files.{sub} is {value!r}; it must be a file in "
                f"{sub}/. {COPY_ADVICE}",
                name=f"{field}.files.{sub}",
                path=folder,
            )
        paths.append(folder / value)
    return RunNote(entry.name, entry.played, *paths)
