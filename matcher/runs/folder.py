"""Run folders: all that a match leaves behind, written whole and read back checked.

::

    runs/horn_C4-standard-1/
        patch.json           the best patch
        run.json             settings, seed, versions, what was heard, figures, history
        target/horn_C4.wav   each note of the target ...
        match/horn_C4.wav    ... and the patch playing it: same timeline, rate, length and level
        match/NAME-left-out.wav   the same (and in target/) of a note that was left out
        record.npz           every evaluation (`matcher.optimise.SearchRecord`)
        evaluations.npz      the same in physical units, one array for each column
        study.log            the same, thinned, as a journal that Optuna opens (study "match")
        versions/            every state of the patch that was kept (`matcher.runs`)
        searches/            what was searched, and where it stands, to go on with or refine

The files of both sounds of a note are limited in level by one gain, so they can be compared by
ear. `run.json` is written last: a folder that has one is complete.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matcher.interrupts import hold_interrupts
from matcher.runs.document import RunNote, ladder_entries, read_run, run_document
from matcher.runs.exporting import write_record
from matcher.runs.layout import (
    EVALUATIONS_FILE,
    PATCH_FILE,
    RECORD_FILE,
    RUN_FILE,
    SEARCHES_FOLDER,
    SOUND_FOLDERS,
    STUDY_FILE,
    cannot_write,
    common_name,
    read_unchecked,
    safe_name,
    unique_names,
)
from matcher.runs.lock import LockedRun, lock_named, lock_numbered
from matcher.runs.searches import STRUCTURE_FILE, new_search
from matcher.runs.versions import add_version, list_versions, settings_title
from shared import (
    FileError,
    Patch,
    StructureError,
    limit_level,
    sha256_digest,
    write_recording,
)
from shared.documents import write_document
from voice import load_structure

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matcher.result import LeftOutNote, MatchResult, NoteMatch
    from matcher.runs.searches import SearchFolder
    from matcher.target import Target
    from shared import FloatArray
    from voice import Structure

__all__ = [
    "DEFAULT_PARENT",
    "RunFolder",
    "RunNote",
    "load_patch_and_structure",
    "load_run",
    "lock_new_run",
    "save_run",
]

DEFAULT_PARENT = "runs"
LEFT_OUT = "-left-out"
# Where a run keeps the text of its structure; one of the user's own may have changed since.
_KEPT_STRUCTURE = f"{SEARCHES_FOLDER}/*/{STRUCTURE_FILE}"
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
        Content of `run.json`, checked as `matcher.runs.document.RunDocument`.
    notes : tuple of RunNote
        What was played, and the sounds, note by note.
    record, study : Path
        All evaluations, and the Optuna journal.
    left_out : tuple of RunNote
        The same as `notes`, of notes that the patch was not fitted to.
    """

    path: Path
    patch: Patch
    run: Mapping[str, Any]
    notes: tuple[RunNote, ...]
    record: Path
    study: Path
    left_out: tuple[RunNote, ...] = ()

    @property
    def settings(self) -> Mapping[str, Any]:
        """Settings of the search; empty if the run doesn't say."""
        return self.run.get("settings") or {}

    @property
    def evaluations(self) -> Path:
        """All evaluations in physical units, one array for each column."""
        return self.path / EVALUATIONS_FILE


def lock_new_run(
    target: Target, structure: str, *, folder: str | Path | None = None, force: bool = False
) -> LockedRun:
    """Find a folder for a run, lock it, and make sure that it can be written to.

    Do this before a long search. Without a folder it is ``runs/NAME-STRUCTURE-N`` in the current
    one, with the next free number. With `force` a run in the folder may be replaced; other files
    in it stay. A new folder into which nothing was written goes away after the ``with`` block.
    """
    if folder is not None:
        return lock_named(folder, force=force)
    name = common_name([note.name for note in target.notes])
    return lock_numbered(
        Path(DEFAULT_PARENT), f"{name}-{safe_name(structure, default='structure')}"
    )


def save_run(
    result: MatchResult,
    folder: str | Path | LockedRun | None = None,
    *,
    force: bool = False,
    command_line: Sequence[str] | None = None,
    search: SearchFolder | None = None,
) -> RunFolder:
    """Write a run folder, whole or not at all.

    Ctrl-C is held back while files are written, and let through afterwards.

    Parameters
    ----------
    result : MatchResult
        What `match` has found.
    folder : str, Path or LockedRun, optional
        Where to write; if left out, ``runs/NAME-STRUCTURE-N`` in the current folder, with the
        next free number.
    force : bool
        Whether a run in that folder may be replaced; other files in it stay.
    command_line : sequence of str, optional
        The arguments of the command line, to be kept in `run.json`.
    search : SearchFolder, optional
        Where the search was kept while it ran; `matcher.match_and_save` makes one.

    Returns
    -------
    RunFolder
        As `load_run` reads it.

    Raises
    ------
    RunFolderError
        If the folder holds something else, or can't be written.
    """
    if not isinstance(folder, LockedRun):
        structure = result.structure.name
        with lock_new_run(result.target, structure, folder=folder, force=force) as locked:
            return save_run(result, locked, command_line=command_line, search=search)
    with hold_interrupts():
        try:
            _write(result, folder, command_line, search)
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


def load_patch_and_structure(
    path: str | Path, structure: str | Path | None = None
) -> tuple[Patch, Structure]:
    """Load a patch and the structure that says how its controls count.

    Parameters
    ----------
    path : str or Path
        A run folder, or a patch file.
    structure : str or Path, optional
        Name or file of the structure; if left out, the one that the run keeps, or the shipped
        one that the patch names.

    Returns
    -------
    patch : Patch
        The patch.
    structure : Structure
        The structure.

    Raises
    ------
    RunFolderError, PatchError, StructureError
        If one of them can't be read, or nothing is known about the structure.
    """
    folder = Path(path)
    if folder.is_dir():
        patch = load_run(folder).patch
        kept = sorted(folder.glob(_KEPT_STRUCTURE))
    else:
        patch = Patch.load(folder)
        kept = (
            sorted(folder.resolve().parent.glob(_KEPT_STRUCTURE))
            if folder.name == "patch.json"
            else []
        )
    if structure is not None:
        return patch, load_structure(structure)
    if kept:
        return patch, load_structure(kept[0])
    try:
        return patch, load_structure(patch.structure)
    except StructureError as error:
        raise StructureError(
            f"{path} was made for the structure {patch.structure!r}, which does not come with "
            "earwright. Give its file with --structure.",
            path=path,
        ) from error


def keep_record(search: SearchFolder, result: MatchResult) -> None:
    """Keep the record of a refinement beside its search, in place of the checkpoint's rows."""
    if not len(result.record):
        return
    temporary = search.path / ".record.tmp"
    shutil.rmtree(temporary, ignore_errors=True)
    temporary.mkdir()
    try:
        write_record(result, temporary)
        for path in sorted(temporary.iterdir()):
            path.replace(search.path / path.name)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
    with search.checkpoint() as checkpoint:
        checkpoint.drop_rows()


def equal_gain(sounds: Sequence[FloatArray], rate_hz: int) -> float:
    """Find the one gain that brings all of some sounds within the limits of level."""
    gain = 1.0
    # Turned down, a sound can lose blocks below the gate of the loudness measure and then count
    # as louder, so one pass isn't always enough.
    for _ in range(8):
        further = min(limit_level(sound * gain, rate_hz)[1] for sound in sounds)
        gain *= further
        if further > 1.0 - _GAIN_SLACK:
            break
    return gain


def list_files(folder: Path) -> list[dict[str, object]]:
    """List the files in a folder with size and digest."""
    return [
        {
            "path": path.relative_to(folder).as_posix(),
            "bytes": path.stat().st_size,
            "sha256": sha256_digest(path),
        }
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    ]


def _write(
    result: MatchResult,
    locked: LockedRun,
    command_line: Sequence[str] | None,
    search: SearchFolder | None,
) -> None:
    """Write all files aside, then move them in."""
    locked.tidy()
    made = None
    if search is None:
        search = made = new_search(
            locked.path,
            "match",
            result.settings,
            target=result.target,
            structure=result.structure,
        )
    temporary = locked.new_temporary()
    try:
        _fill(result, locked, temporary, command_line, search)
    except BaseException:
        if made is not None:
            made.discard()
        raise
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
        locked.tidy()


def _fill(
    result: MatchResult,
    locked: LockedRun,
    temporary: Path,
    command_line: Sequence[str] | None,
    search: SearchFolder,
) -> None:
    """Write the files of a run into a temporary folder, and let the run take them over."""
    earlier = read_unchecked(locked.path)
    is_new = earlier is None or earlier.get("search") != search.name
    played: tuple[NoteMatch | LeftOutNote, ...] = (*result.notes, *result.left_out)
    names = unique_names(
        [match.note.name for match in result.notes]
        + [f"{match.note.name}{LEFT_OUT}" for match in result.left_out]
    )
    gains = write_sounds(temporary, played, names)
    result.patch.save(temporary / PATCH_FILE)
    write_record(result, temporary)
    document = run_document(result, names, gains, command_line=command_line)
    document["files"] = list_files(temporary)
    version, rungs = _add_match_versions(result, temporary if is_new else locked.path)
    document |= {"search": search.name, "version": version}
    document["ladder"] = ladder_entries(result.ladder, rungs)
    document["is_ladder_whole"] = result.is_ladder_whole
    files = [path for path in sorted(temporary.rglob("*")) if path.is_file()]
    write_document(temporary / RUN_FILE, document, overwrite=False)
    every = [path.relative_to(temporary).as_posix() for path in files]
    locked.move_in(temporary, [*every, RUN_FILE], search=search.name, is_new=is_new)


def write_sounds(
    folder: Path, played: Sequence[NoteMatch | LeftOutNote], names: Sequence[str]
) -> list[float]:
    """Write target and match of each note with one gain for both; return the gains."""
    for sub in SOUND_FOLDERS:
        (folder / sub).mkdir(exist_ok=True)
    gains = []
    for match, name in zip(played, names, strict=True):
        rate, sounds = match.note.sample_rate_hz, (match.note.signal, match.sound)
        gains.append(equal_gain(sounds, rate))
        for sub, sound in zip(SOUND_FOLDERS, sounds, strict=True):
            write_recording(folder / sub / f"{name}.wav", sound * gains[-1], rate)
    return gains


def _add_match_versions(result: MatchResult, folder: Path) -> tuple[int, list[int]]:
    """Add the start, the ends of stages, the ladder and the end of a match.

    Returns the last number, and those of the rungs.

    Of a match that was gone on with, what has been added before stays as it is.
    """
    found = {(stage.kind, stage.title) for stage in result.stages}
    known: dict[tuple[str, str], int] = {}
    parent = None
    for version in list_versions(folder):
        what = (version.kind, version.title)
        # What the user set in the meantime is not where the search came from.
        if version.kind == "final" or (what in found and what not in known):
            known[what] = parent = version.number
    gates_s = tuple(match.note.note.gate_s for match in result.notes)
    for stage in result.stages:
        if (stage.kind, stage.title) not in known:
            parent = add_version(
                folder,
                stage.patch,
                kind=stage.kind,
                title=stage.title,
                parent=parent,
                loss=stage.loss,
                gates_s=gates_s,
            ).number
    rungs = [
        add_version(
            folder,
            rung.patch,
            kind="rung",
            title=settings_title(rung.n_settings),
            parent=parent,
            loss=rung.loss,
            gates_s=gates_s,
        ).number
        for rung in result.ladder
    ]
    title = "match, extended" if ("final", "match") in known else "match"
    if result.stop_reason in {"interrupted", "stopped"}:
        title = f"{title}, stopped early"
    final = add_version(
        folder,
        result.patch,
        kind="final",
        title=title,
        parent=parent,
        loss=result.end,
        gates_s=gates_s,
    )
    return final.number, rungs
