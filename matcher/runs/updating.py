"""Bringing the files of a run up to its current version, and what the user does with versions.

A version counts from the moment that its file is in ``versions/``. Then sounds, ``patch.json``
and ``run.json`` follow; ``run.json`` says which version they show. Where that was interrupted, the
next command that changes the run makes up for it.
"""

from __future__ import annotations

import shutil
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from matcher.hearing import compare_notes
from matcher.interrupts import hold_interrupts
from matcher.losses import weights_for
from matcher.playing import noise_seed
from matcher.runs.document import RunDocument, WholeRunDocument, note_entry, read_run_document
from matcher.runs.folder import list_files, write_sounds
from matcher.runs.layout import PATCH_FILE, RUN_FILE, cannot_write, read_unchecked
from matcher.runs.lock import LockedRun, lock_existing_run
from matcher.runs.searches import fitted_target, own_search
from matcher.runs.versions import add_version, find_version, name_version
from matcher.scoring import score_patch
from shared import FileError, Patch, RunFolderError
from shared.documents import write_document

if TYPE_CHECKING:
    from matcher.losses import LossBreakdown
    from matcher.result import NoteMatch
    from matcher.runs.versions import Version

__all__ = ["go_back", "keep_version", "shorten"]


def keep_version(run: str | Path, name: str, version: str | int | None = None) -> Version:
    """Give a version of a run a name, under which it is found from then on.

    Parameters
    ----------
    run : str or Path
        The run folder.
    name : str
        1 to 60 letters, digits, blanks, "-" and "_", with a letter first; not yet used in this
        run.
    version : str or int, optional
        Which one, as for `find_version`; the current state if left out.

    Returns
    -------
    Version
        The version with its new name.

    Raises
    ------
    ParameterError
        If the name isn't accepted.
    RunFolderError
        If the name is taken, there is no such version, or the run can't be changed.
    """
    path = Path(run)
    find_version(path, version)  # a wrong name leaves even the lock alone
    with lock_existing_run(path) as locked:
        if version is None and read_unchecked(path) is not None:
            bring_up_to_date(path, locked)
        return name_version(path, name, version)


def go_back(run: str | Path, version: str | int, *, note: str = "") -> Version:
    """Make an earlier version the current state of a run.

    Nothing is taken away: a new version is added that equals the earlier one.

    Parameters
    ----------
    run : str or Path
        The run folder.
    version : str or int
        Which one, as for `find_version`.
    note : str
        What to keep with it.

    Returns
    -------
    Version
        The new version, the current one.

    Raises
    ------
    RunFolderError
        If there is no such version, or the run can't be changed.
    """
    wanted = find_version(run, version)
    title = f"back to {wanted.number}" + (f" ({wanted.name})" if wanted.name else "")
    return _made_current(Path(run), wanted, title, note)


def shorten(run: str | Path, n_settings: int, *, note: str = "") -> Version:
    """Make a rung of the ladder the current state of a run, as a new version.

    Parameters
    ----------
    run : str or Path
        The run folder.
    n_settings : int >= 1
        How many settings it may have: the rung with so many, or the nearest below, or the
        shortest.
    note : str
        What to keep with it.

    Returns
    -------
    Version
        The new version, the current one; `parent` is the rung, whose title says how many it has.

    Raises
    ------
    RunFolderError
        If the run has no ladder, or can't be changed.
    """
    path = Path(run)
    _, document = read_run_document(path, RunDocument)
    if not document.ladder:
        raise RunFolderError(
            f"{run} has no ladder: its match was made by an earlier version, or ended before one "
            "was made. Match again, or add to its time with `earwright match --extend`.",
            path=path,
        )
    rungs = sorted(document.ladder, key=lambda rung: rung.settings)
    short = [rung for rung in rungs if rung.settings <= n_settings]
    wanted = find_version(path, (short[-1] if short else rungs[0]).version)
    return _made_current(path, wanted, f"shortened to {wanted.title}", note)


def _made_current(path: Path, wanted: Version, title: str, note: str) -> Version:
    """Add a version that equals an earlier one, and show it."""
    with lock_existing_run(path) as locked:
        bring_up_to_date(path, locked)
        added = add_version(
            path,
            wanted.patch,
            kind="back",
            title=title,
            parent=wanted.number,
            note=note,
            loss=wanted.loss,
            gates_s=wanted.gates_s,
        )
        show_version(path, locked, added)
        return added


def bring_up_to_date(run: Path, locked: LockedRun) -> Version:
    """Show the current version, if that was interrupted, and keep what was edited by hand."""
    document = read_unchecked(run) or {}
    current = find_version(run)
    if document.get("version") != current.number:
        show_version(run, locked, current)
        return current
    patch = Patch.load(run / PATCH_FILE)
    if (patch.values, patch.phases) == (current.patch.values, current.patch.phases):
        return current
    loss, _ = _play(run, patch, current.gates_s)
    edited = add_version(
        run,
        patch,
        kind="edit",
        title="patch.json edited",
        parent=current.number,
        loss=loss,
        gates_s=current.gates_s,
    )
    show_version(run, locked, edited)
    return edited


def show_version(run: Path, locked: LockedRun, version: Version) -> None:
    """Write sounds, `patch.json` and `run.json` of a version, each in one step."""
    loss, notes = _play(run, version.patch, version.gates_s)
    with hold_interrupts():
        try:
            _write(run, locked, version, loss, notes)
        except FileError as error:
            if isinstance(error.__cause__, OSError):
                raise cannot_write(run, error.__cause__) from error
            raise
        except OSError as error:
            raise cannot_write(run, error) from error


def _play(
    run: Path, patch: Patch, gates_s: tuple[float, ...]
) -> tuple[LossBreakdown, tuple[NoteMatch, ...]]:
    """Score a patch as the run does, and play it on its notes."""
    search = own_search(run)
    return score_patch(
        patch,
        search.structure(),
        fitted_target(search),
        gates_s=gates_s,
        weights=weights_for(search.settings.get("weights")),
        seed=noise_seed(search.settings),
    )


def _write(
    run: Path,
    locked: LockedRun,
    version: Version,
    loss: LossBreakdown,
    notes: tuple[NoteMatch, ...],
) -> None:
    """Write everything aside, then move it in, `run.json` last."""
    document, checked = read_run_document(run, WholeRunDocument)
    names = [PurePosixPath(note.files.match).stem for note in checked.notes]
    temporary = locked.new_temporary()
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
        write_document(run / RUN_FILE, document)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
