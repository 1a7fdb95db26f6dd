"""Structures that the page offers: those that come along, and the user's own files."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from matcher.runs.file_names import safe_name
from shared import EarwrightError, ParameterError, StructureError, write_atomic
from voice import list_structures, load_structure

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.page.workspace import Workspace
    from voice import Structure

__all__ = ["MAX_STRUCTURE_BYTES", "StructureShelf"]

MAX_STRUCTURE_BYTES = 200_000
MAX_STRUCTURES = 100
SUFFIX = ".toml"


@lru_cache(maxsize=1)
def _shipped() -> tuple[Mapping[str, object], ...]:
    """Describe the structures that come along; they stay as they are."""
    return tuple(
        {"name": name, "meaning": load_structure(name).meaning, "is_own": False}
        for name in list_structures()
    )


class StructureShelf:
    """The structures of a workspace.

    Parameters
    ----------
    workspace : Workspace
        Where the user's own are kept.
    """

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace

    def list_all(self) -> list[dict[str, object]]:
        """List the structures: shipped ones, then the user's own."""
        found = [dict(each) for each in _shipped()]
        for name in self._own_names():
            try:
                meaning = self.load(name).meaning
            except EarwrightError as error:
                meaning = str(error)
            found.append({"name": name, "meaning": meaning, "is_own": True})
        return found

    def source(self, name: str) -> str:
        """Say what `voice.load_structure` takes for a name of the list.

        Parameters
        ----------
        name : str
            The name; those of the user's own files end in ``.toml``.

        Returns
        -------
        str
            The name, or the path of the file.

        Raises
        ------
        StructureError
            If the list has no such name.
        """
        if not name.endswith(SUFFIX):
            if name not in list_structures():
                raise StructureError(
                    f'structure is "{name[:80]}"; {", ".join(list_structures())}, or a file of '
                    "your own, is accepted.",
                    name="structure",
                    value=name,
                )
            return name
        path = self._workspace.existing(self._workspace.structures, name)
        return path.relative_to(self._workspace.root).as_posix()

    def load(self, name: str) -> Structure:
        """Load a structure of the list."""
        source = self.source(name)
        is_file = source.endswith(SUFFIX)
        return load_structure(self._workspace.root / source if is_file else source)

    def add(self, file_name: str, content: bytes) -> str:
        """Keep a structure file of the user's own.

        Parameters
        ----------
        file_name : str
            What it is called on the user's machine.
        content : bytes
            The file.

        Returns
        -------
        str
            Its name in the list.

        Raises
        ------
        StructureError
            If it can't be understood; nothing is kept then.
        ParameterError
            If there are too many.
        """
        plain = file_name.replace("\\", "/").rsplit("/", maxsplit=1)[-1]
        if not plain.lower().endswith(SUFFIX):
            raise StructureError(
                f'"{plain[:80]}" is no structure file by its name; one that ends in {SUFFIX} is '
                "accepted."
            )
        if len(self._own_names()) >= MAX_STRUCTURES:
            raise ParameterError(f"there are {MAX_STRUCTURES} structures already; remove some.")
        folder = self._workspace.structures
        folder.mkdir(parents=True, exist_ok=True)
        stem = safe_name(plain[: -len(SUFFIX)], default="structure")
        number = 1
        while (folder / f"{stem}{SUFFIX}").exists():
            number += 1
            stem = f"{stem.rsplit('-', maxsplit=1)[0] if number > 2 else stem}-{number}"
        path = folder / f"{stem}{SUFFIX}"
        try:
            write_atomic(path, content, overwrite=False)
            load_structure(path)
        except Exception:
            path.unlink(missing_ok=True)
            raise
        return path.name

    def _own_names(self) -> list[str]:
        """List the user's own files."""
        folder = self._workspace.structures
        return sorted(path.name for path in folder.glob(f"*{SUFFIX}")) if folder.is_dir() else []
