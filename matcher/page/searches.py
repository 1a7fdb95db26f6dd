"""Searches that runs keep: to go on with them, and to know exactly what was matched."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matcher.runs.run_lock import lock_run
from matcher.runs.search_folder import list_searches
from shared import EarwrightError, RunFolderError

if TYPE_CHECKING:
    from pathlib import Path

    from matcher.page.workspace import Workspace
    from matcher.runs.run_folder import RunFolder
    from matcher.target import TargetNote

__all__ = ["SearchShelf", "exact_note", "target_in"]

_SEARCHES = "searches"


class SearchShelf:
    """The searches in a workspace.

    Parameters
    ----------
    workspace : Workspace
        Where they are.
    """

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace

    def interrupted(self) -> list[str]:
        """List searches that have ended without a result, and can be gone on with."""
        found = []
        for name in self._workspace.names(self._workspace.runs, _SEARCHES):
            path = self._path(name)
            if not (path / "run.json").exists() and not _is_in_use(path):
                found.append(name)
        return found

    def searched(self, name: str) -> dict[str, object]:
        """Say what a search was told, for those who go on with it.

        Parameters
        ----------
        name : str
            Name of the run, finished or not.

        Returns
        -------
        dict
            ``structure``, ``seed``, and ``target``: a target of the page, or None.
        """
        searches = list_searches(self._path(name), "match")
        if not searches:
            raise RunFolderError(
                f"{name} holds no search to go on with; one that was made by this version is "
                "accepted. Match the target again.",
                path=name,
            )
        kept = searches[-1]
        words = kept.request.get("command_line")
        return {
            "structure": kept.structure().name,
            "seed": kept.settings.get("seed", 0),
            "target": target_in(self._workspace, words),
        }

    def _path(self, name: str) -> Path:
        """Find the folder of a run."""
        return self._workspace.existing(self._workspace.runs, name)


def target_in(workspace: Workspace, words: object) -> str | None:
    """Find a target of the page among the words of a command line.

    Parameters
    ----------
    workspace : Workspace
        Where targets are.
    words : object
        The words, as ``run.json`` keeps them.

    Returns
    -------
    str or None
        Name of the target; None if there is none, or it is gone.
    """
    for word in words if isinstance(words, list) else []:
        path = workspace.root / str(word)
        if path.parent.parent == workspace.targets and path.is_file():
            return path.parent.name
    return None


def exact_note(run: RunFolder, number: int) -> TargetNote | None:
    """Return a note of the target to the bit.

    Parameters
    ----------
    run : RunFolder
        The run.
    number : int
        Number of the note.

    Returns
    -------
    TargetNote or None
        The note; None if the run doesn't keep its search.
    """
    searches = list_searches(run.path, "match")
    if not searches or run.left_out:
        return None
    return searches[-1].target().notes[number]


def _is_in_use(path: Path) -> bool:
    """Say whether somebody works on a run."""
    try:
        with lock_run(path):
            return False
    except EarwrightError:
        return True
