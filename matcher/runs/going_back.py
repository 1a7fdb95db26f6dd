"""What the user does with versions: give one a name, and go back to one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from matcher.runs.claim import claim_run, read_document
from matcher.runs.version_folder import add_version, find_version, name_version

if TYPE_CHECKING:
    from matcher.runs.version import Version

__all__ = ["go_back", "keep_version"]


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
    from matcher.runs.run_update import bring_up_to_date  # noqa: PLC0415  reading needs no voice

    path = Path(run)
    find_version(path, version)  # a wrong name leaves even the lock alone
    with claim_run(path) as claim:
        if version is None and read_document(path) is not None:
            bring_up_to_date(path, claim)
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
    from matcher.runs.run_update import (  # noqa: PLC0415  reading needs no voice
        bring_up_to_date,
        show_version,
    )

    path = Path(run)
    wanted = find_version(path, version)
    with claim_run(path) as claim:
        bring_up_to_date(path, claim)
        added = add_version(
            path,
            wanted.patch,
            kind="back",
            title=f"back to {wanted.number}" + (f" ({wanted.name})" if wanted.name else ""),
            parent=wanted.number,
            note=note,
            loss=wanted.loss,
            gates_s=wanted.gates_s,
        )
        show_version(path, claim, added)
        return added
