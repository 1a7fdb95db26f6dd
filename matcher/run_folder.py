"""Run folders: all that a match leaves behind, written whole and read back checked.

::

    runs/horn_C4-complete-1/
        patch.json           the best patch
        run.json             settings, seed, versions, what was heard, figures, history
        target/horn_C4.wav   each note of the target ...
        match/horn_C4.wav    ... and the patch playing it: same timeline, rate, length and level
        match/NAME-left-out.wav   the same (and in target/) of a note that was left out
        record.npz           every evaluation (`matcher.search.SearchRecord`)
        study.log            the same, thinned, as a journal that Optuna opens (study "match")

The files of both sounds of a note are limited in level by one gain, so they can be compared by
ear. `run.json` is written last: a folder that has one is complete.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from matcher._claim import (
    PATCH_FILE,
    RECORD_FILE,
    RUN_FILE,
    SOUND_FOLDERS,
    STUDY_FILE,
    Claim,
    cannot_write,
    claim_named,
    claim_numbered,
)
from matcher._file_names import common_name, safe_name, unique_names
from matcher._run_document import SCHEMA_VERSION, run_document, to_json
from matcher._run_reading import RunNote, read_run
from matcher.interrupts import hold_interrupts
from shared import (
    FileError,
    Patch,
    limit_level,
    sha256_digest,
    write_atomic,
    write_recording,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matcher.result import LeftOutNote, MatchResult, NoteMatch
    from matcher.target import Target

__all__ = [
    "DEFAULT_PARENT",
    "SCHEMA_VERSION",
    "STUDY_NAME",
    "Claim",
    "RunFolder",
    "RunNote",
    "claim_run_folder",
    "load_run",
    "save_run",
]

DEFAULT_PARENT = "runs"
STUDY_NAME = "match"
LEFT_OUT = "-left-out"
# Below this, a gain is rounding: a ten-thousandth of a dB.
_GAIN_SLACK = 1e-5


@dataclass(frozen=True, eq=False)
class RunFolder:
    """A run that was read back.

    Parameters
    ----------
    path : Path
        The folder.
    patch : Patch
        The best patch.
    run : mapping of str to object
        Content of `run.json`.
    notes : tuple of RunNote
        What was played, and the sounds, note by note.
    record, study : Path
        All evaluations, and the Optuna journal.
    left_out : tuple of RunNote
        The same as `notes`, of notes that the patch was not fitted to.
    """

    path: Path
    patch: Patch
    run: Mapping[str, object]
    notes: tuple[RunNote, ...]
    record: Path
    study: Path
    left_out: tuple[RunNote, ...] = ()


def claim_run_folder(
    target: Target, structure: str, *, folder: str | Path | None = None, force: bool = False
) -> Claim:
    """Find a folder for a run, and make sure that it can be written to.

    Do this before a long search. The claim is a context manager: a new folder into which nothing
    was written is taken away at the end of its block.

    Parameters
    ----------
    target : Target
        What is matched; its notes name the folder.
    structure : str
        Name of the structure, for the same purpose.
    folder : str or Path, optional
        The folder; if left out, ``runs/NAME-STRUCTURE-N`` in the current folder, with the next
        free number.
    force : bool
        Whether a run in that folder may be replaced; other files in it stay.

    Returns
    -------
    Claim
        Give it to `save_run`; its ``path`` is the folder.

    Raises
    ------
    RunFolderError
        If the folder holds something else, or can't be written to.
    """
    if folder is not None:
        return claim_named(folder, force=force)
    name = common_name([note.name for note in target.notes])
    return claim_numbered(
        Path(DEFAULT_PARENT), f"{name}-{safe_name(structure, default='structure')}"
    )


def save_run(
    result: MatchResult,
    folder: str | Path | Claim | None = None,
    *,
    force: bool = False,
    command_line: Sequence[str] | None = None,
) -> RunFolder:
    """Write a run folder, whole or not at all.

    Ctrl-C is held back while files are written, and let through afterwards.

    Parameters
    ----------
    result : MatchResult
        What `match` has found.
    folder : str, Path or Claim, optional
        Where to write, as for `claim_run_folder`, or what that gave.
    force : bool
        Whether a run in that folder may be replaced; other files in it stay.
    command_line : sequence of str, optional
        The arguments of the command line, to be kept in `run.json`.

    Returns
    -------
    RunFolder
        As `load_run` reads it.

    Raises
    ------
    RunFolderError
        If the folder holds something else, or can't be written.
    """
    if not isinstance(folder, Claim):
        claim = claim_run_folder(result.target, result.structure.name, folder=folder, force=force)
        with claim:
            return save_run(result, claim, command_line=command_line)
    with hold_interrupts():
        try:
            _write(result, folder, command_line)
        except FileError as error:
            # write_atomic names its temporary file; the folder and the system's reason help more.
            reason = error.__cause__
            if not isinstance(reason, OSError):
                raise
            raise cannot_write(folder.path, reason) from error
        except OSError as error:
            raise cannot_write(folder.path, error) from error
        return load_run(folder.path)


def load_run(folder: str | Path) -> RunFolder:
    """Read a run folder.

    Parameters
    ----------
    folder : str or Path
        The folder.

    Returns
    -------
    RunFolder
        Patch, `run.json` and the paths of all files, which are there.

    Raises
    ------
    RunFolderError
        If it is no run folder, or isn't complete; the file and field are in the message.
    PatchError
        If its patch can't be understood.
    """
    path = Path(folder)
    document, notes, left_out = read_run(path)
    return RunFolder(
        path=path,
        patch=Patch.load(path / PATCH_FILE),
        run=document,
        notes=notes,
        left_out=left_out,
        record=path / RECORD_FILE,
        study=path / STUDY_FILE,
    )


def _write(result: MatchResult, claim: Claim, command_line: Sequence[str] | None) -> None:
    """Write all files aside, then move them in."""
    played: tuple[NoteMatch | LeftOutNote, ...] = (*result.notes, *result.left_out)
    names = unique_names(
        [match.note.name for match in result.notes]
        + [f"{match.note.name}{LEFT_OUT}" for match in result.left_out]
    )
    claim.tidy()
    temporary = claim.new_temporary()
    try:
        for sub in SOUND_FOLDERS:
            (temporary / sub).mkdir()
        gains = [
            _write_sounds(temporary, match, name)
            for match, name in zip(played, names, strict=True)
        ]
        document = run_document(result, names, gains, command_line=command_line)
        result.patch.save(temporary / PATCH_FILE)
        _write_record(result, temporary)
        files = [path for path in sorted(temporary.rglob("*")) if path.is_file()]
        document["files"] = [
            {
                "path": path.relative_to(temporary).as_posix(),
                "bytes": path.stat().st_size,
                "sha256": sha256_digest(path),
            }
            for path in files
        ]
        write_atomic(temporary / RUN_FILE, to_json(document), overwrite=False)
        every = [path.relative_to(temporary).as_posix() for path in files]
        claim.move_in(temporary, [*every, RUN_FILE])
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
        claim.tidy()


def _write_sounds(folder: Path, match: NoteMatch | LeftOutNote, name: str) -> float:
    """Write target and match of a note with the same gain, and return it."""
    rate = match.note.sample_rate_hz
    gain = 1.0
    # Turned down, a sound can lose blocks below the gate of the loudness measure and then count
    # as louder, so one pass isn't always enough.
    for _ in range(8):
        further = min(
            limit_level(sound * gain, rate)[1] for sound in (match.note.signal, match.sound)
        )
        gain *= further
        if further > 1.0 - _GAIN_SLACK:
            break
    for sub, sound in zip(SOUND_FOLDERS, (match.note.signal, match.sound), strict=True):
        write_recording(folder / sub / f"{name}.wav", sound * gain, rate)
    return gain


def _write_record(result: MatchResult, folder: Path) -> None:
    """Write every evaluation, and the study."""
    from matcher.search import write_study  # noqa: PLC0415  reading a run needs no search

    result.record.to_npz(folder / RECORD_FILE, overwrite=False)
    write_study(
        result.record,
        result.space,
        folder / STUDY_FILE,
        study_name=STUDY_NAME,
        overwrite=False,
        attributes={"settings": dict(result.settings), "target": result.target.digest},
    )
