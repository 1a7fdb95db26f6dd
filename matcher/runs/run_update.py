"""Bringing the files of a run up to its current version.

A version counts from the moment that its file stands in ``versions/``. Then sounds, ``patch.json``
and ``run.json`` follow; ``run.json`` says which version they show. Where that was interrupted, the
next command that changes the run makes up for it.
"""

from __future__ import annotations

import json
import shutil
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any

from matcher.hearing import compare_notes
from matcher.interrupts import hold_interrupts
from matcher.losses import weights_for
from matcher.playing import noise_seed
from matcher.runs.claim import PATCH_FILE, RUN_FILE, Claim, cannot_write, read_document
from matcher.runs.run_document import note_entry, to_json
from matcher.runs.run_files import list_files, write_sounds
from matcher.runs.search_folder import fitted_target, own_search
from matcher.runs.version_folder import add_version, find_version
from matcher.scoring import score_patch
from shared import FileError, Patch, RunFolderError, write_atomic

if TYPE_CHECKING:
    from pathlib import Path

    from matcher.losses import LossBreakdown
    from matcher.result import NoteMatch
    from matcher.runs.version import Version

__all__: list[str] = []


def play_version(
    run: Path, patch: Patch, gates_s: tuple[float, ...]
) -> tuple[LossBreakdown, tuple[NoteMatch, ...]]:
    """Score a patch as the run does, and play it on its notes."""
    search = own_search(run)
    settings = search.settings
    return score_patch(
        patch,
        search.structure(),
        fitted_target(search),
        gates_s=gates_s,
        weights=weights_for(settings.get("weights")),
        seed=noise_seed(settings),
    )


def bring_up_to_date(run: Path, claim: Claim) -> Version:
    """Show the current version, if that was interrupted, and keep what was edited by hand."""
    document = read_document(run) or {}
    current = find_version(run)
    if document.get("version") != current.number:
        show_version(run, claim, current)
        return current
    patch = Patch.load(run / PATCH_FILE)
    if (patch.values, patch.phases) == (current.patch.values, current.patch.phases):
        return current
    loss, _ = play_version(run, patch, current.gates_s)
    edited = add_version(
        run,
        patch,
        kind="edit",
        title="patch.json edited",
        parent=current.number,
        loss=loss,
        gates_s=current.gates_s,
    )
    show_version(run, claim, edited)
    return edited


def show_version(run: Path, claim: Claim, version: Version) -> None:
    """Write sounds, `patch.json` and `run.json` of a version, each in one step."""
    loss, notes = play_version(run, version.patch, version.gates_s)
    with hold_interrupts():
        try:
            _write(run, claim, version, loss, notes)
        except FileError as error:
            if isinstance(error.__cause__, OSError):
                raise cannot_write(run, error.__cause__) from error
            raise
        except OSError as error:
            raise cannot_write(run, error) from error


def _write(
    run: Path,
    claim: Claim,
    version: Version,
    loss: LossBreakdown,
    notes: tuple[NoteMatch, ...],
) -> None:
    """Write everything aside, then move it in, `run.json` last."""
    document = _whole_document(run)
    names = [PurePosixPath(note["files"]["match"]).stem for note in document["notes"]]
    temporary = claim.new_temporary()
    try:
        gains = write_sounds(temporary, notes, names)
        version.patch.save(temporary / PATCH_FILE)
        document["notes"] = [
            note_entry(note, name, gain, compare_notes(note.note, note.sound))
            for note, name, gain in zip(notes, names, gains, strict=True)
        ]
        document["loss"]["end"] = loss.to_dict()
        document["version"] = version.number
        fresh = list_files(temporary)
        known = {entry["path"] for entry in fresh}
        document["files"] = [e for e in document["files"] if e["path"] not in known] + fresh
        for entry in fresh:
            name = str(entry["path"])
            (temporary / name).replace(run / name)
        write_atomic(run / RUN_FILE, to_json(document), overwrite=True)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


def _whole_document(run: Path) -> dict[str, Any]:
    """Read `run.json` with the fields that are renewed, whatever was done to it."""
    document: dict[str, Any] = json.loads((run / RUN_FILE).read_text(encoding="utf-8"))
    try:
        is_whole = (
            all(isinstance(note["files"]["match"], str) for note in document["notes"])
            and all(isinstance(entry["path"], str) for entry in document["files"])
            and isinstance(document["files"], list)
            and isinstance(document["loss"], dict)
        )
    except (KeyError, TypeError):
        is_whole = False
    if not is_whole:
        raise RunFolderError(
            f"{run / RUN_FILE} is damaged: notes with their files, files and loss are needed. "
            "Take the file from a copy of the run.",
            path=run,
        )
    return document
