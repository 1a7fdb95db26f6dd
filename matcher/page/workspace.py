"""The folder that the page works in, and the only files that it touches.

::

    .                          where `earwright page` was started, as for the command line
        runs/NAME              runs, the same that `earwright match` makes
        earwright-page/
            targets/NAME/      recordings, and manifest.toml with what is played in them
            structures/        structure files that were given to the page
            jobs/NUMBER/       work in processes of its own: job.json, events.jsonl, log.txt

A target is a folder with a manifest, so the command line takes it as well:
``earwright match earwright-page/targets/NAME/manifest.toml``.
"""

from __future__ import annotations

import re
from pathlib import Path

from matcher.runs.file_names import safe_name
from matcher.runs.run_folder import DEFAULT_PARENT
from shared import FileError, ParameterError

__all__ = ["Workspace"]

OWN_FOLDER = "earwright-page"
# What `safe_name` makes holds no separators; a leading dot would be hidden, or the folder above.
_NAME = re.compile(r"[^./\\\0][^/\\\0]{0,199}")


class Workspace:
    """Places in a folder, each checked to lie inside of it.

    Parameters
    ----------
    root : str or Path
        The folder; it must exist.

    Raises
    ------
    FileError
        If it is no folder.
    """

    def __init__(self, root: str | Path) -> None:
        self.root = Path(root).resolve()
        if not self.root.is_dir():
            raise FileError(
                f"{root} is no folder; the folder to work in is accepted. Make it first.",
                path=root,
            )

    @property
    def runs(self) -> Path:
        """Folder of the runs, shared with the command line."""
        return self.root / DEFAULT_PARENT

    @property
    def targets(self) -> Path:
        """Folder of the targets."""
        return self.root / OWN_FOLDER / "targets"

    @property
    def structures(self) -> Path:
        """Folder of structure files that were uploaded."""
        return self.root / OWN_FOLDER / "structures"

    @property
    def jobs(self) -> Path:
        """Folder of the jobs."""
        return self.root / OWN_FOLDER / "jobs"

    def inside(self, folder: Path, name: str) -> Path:
        """Find something in one of the folders by its name.

        Parameters
        ----------
        folder : Path
            One of the folders above, or one below them.
        name : str
            A name as it came from the browser.

        Returns
        -------
        Path
            The place; links are followed, and must stay in the workspace.

        Raises
        ------
        ParameterError
            If the name is a path, or leads out of the folder.
        """
        if not _NAME.fullmatch(name):
            raise _no_such(name)
        place = folder / name
        if not place.resolve().is_relative_to(self.root):
            raise _no_such(name)
        return place

    def existing(self, folder: Path, name: str) -> Path:
        """Find something that must be there; as `inside`, and it exists."""
        place = self.inside(folder, name)
        if not place.exists():
            raise _no_such(name)
        return place

    def names(self, folder: Path, needed: str) -> list[str]:
        """List the folders in a folder that hold something, newest first.

        Parameters
        ----------
        folder : Path
            Where to look; it may be missing.
        needed : str
            Name of a file or folder.

        Returns
        -------
        list of str
            Names; links that lead out of the workspace are left out.
        """
        if not folder.is_dir():
            return []
        found = []
        for entry in folder.iterdir():
            file = entry / needed
            is_inside = entry.resolve().is_relative_to(self.root)
            if is_inside and _NAME.fullmatch(entry.name) and file.exists():
                found.append((file.stat().st_mtime, entry.name))
        return [name for _, name in sorted(found, reverse=True)]

    def new_folder(self, parent: Path, text: str, *, default: str) -> Path:
        """Make a folder with a safe and free name.

        Parameters
        ----------
        parent : Path
            Where.
        text : str
            What it should be called.
        default : str
            Its name if nothing of the text can be used.

        Returns
        -------
        Path
            The new folder.
        """
        parent.mkdir(parents=True, exist_ok=True)
        base = safe_name(text, default=default)
        number = 1
        while True:
            place = parent / (base if number == 1 else f"{base}-{number}")
            try:
                place.mkdir()
            except FileExistsError:
                number += 1
            else:
                return place


def _no_such(name: str) -> ParameterError:
    """Build the error for a name that leads nowhere."""
    return ParameterError(
        f'"{name[:80]}" is not here; a name from the lists of the page is accepted. Reload it.',
        name="name",
        value=name,
    )
