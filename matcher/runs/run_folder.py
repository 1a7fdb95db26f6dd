"""Run folders: all that a match leaves behind, written whole and read back checked.

::

    runs/horn_C4-complete-1/
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
from typing import TYPE_CHECKING

from matcher.interrupts import hold_interrupts
from matcher.runs.claim import (
    EVALUATIONS_FILE,
    PATCH_FILE,
    RECORD_FILE,
    RUN_FILE,
    STUDY_FILE,
    Claim,
    cannot_write,
    claim_named,
    claim_numbered,
    read_document,
)
from matcher.runs.file_names import common_name, safe_name, unique_names
from matcher.runs.run_document import SCHEMA_VERSION, run_document, to_json
from matcher.runs.run_files import add_match_versions, list_files, write_record, write_sounds
from matcher.runs.run_reading import RunNote, read_run
from shared import FileError, Patch, write_atomic

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matcher.result import LeftOutNote, MatchResult, NoteMatch
    from matcher.runs.search_folder import SearchFolder
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

    @property
    def evaluations(self) -> Path:
        """All evaluations in physical units, one array for each column."""
        return self.path / EVALUATIONS_FILE


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
    search: SearchFolder | None = None,
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
    if not isinstance(folder, Claim):
        claim = claim_run_folder(result.target, result.structure.name, folder=folder, force=force)
        with claim:
            return save_run(result, claim, command_line=command_line, search=search)
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


def _write(
    result: MatchResult,
    claim: Claim,
    command_line: Sequence[str] | None,
    search: SearchFolder | None,
) -> None:
    """Write all files aside, then move them in."""
    from matcher.runs.search_folder import new_search  # noqa: PLC0415  reading a run needs no search

    claim.tidy()
    made = None
    if search is None:
        search = made = new_search(
            claim.path,
            "match",
            result.settings,
            target=result.target,
            structure=result.structure,
        )
    temporary = claim.new_temporary()
    try:
        _fill(result, claim, temporary, command_line, search)
    except BaseException:
        if made is not None:
            made.discard()
        raise
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
        claim.tidy()


def _fill(
    result: MatchResult,
    claim: Claim,
    temporary: Path,
    command_line: Sequence[str] | None,
    search: SearchFolder,
) -> None:
    """Write the files of a run into a temporary folder, and let the claim take them over."""
    earlier = read_document(claim.path)
    is_new = earlier is None or earlier.get("search") != search.name
    played: tuple[NoteMatch | LeftOutNote, ...] = (*result.notes, *result.left_out)
    names = unique_names(
        [match.note.name for match in result.notes]
        + [f"{match.note.name}{LEFT_OUT}" for match in result.left_out]
    )
    gains = write_sounds(temporary, played, names)
    result.patch.save(temporary / PATCH_FILE)
    write_record(result, temporary, study_name=STUDY_NAME)
    document = run_document(result, names, gains, command_line=command_line)
    document["files"] = list_files(temporary)
    version = add_match_versions(result, temporary if is_new else claim.path)
    document |= {"search": search.name, "version": version}
    files = [path for path in sorted(temporary.rglob("*")) if path.is_file()]
    write_atomic(temporary / RUN_FILE, to_json(document), overwrite=False)
    every = [path.relative_to(temporary).as_posix() for path in files]
    claim.move_in(temporary, [*every, RUN_FILE], search=search.name, is_new=is_new)
