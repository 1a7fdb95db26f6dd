"""The structure that belongs to a patch: the one its run was searched with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from shared import Patch, StructureError
from voice import load_structure

if TYPE_CHECKING:
    from voice import Structure

__all__ = ["load_patch_and_structure"]

# Where a run keeps the text of its structure; one of the user's own may have changed since.
KEPT = "searches/*/structure.toml"


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
        from matcher.runs.run_folder import load_run  # noqa: PLC0415  loads the search's files

        patch = load_run(folder).patch
        kept = sorted(folder.glob(KEPT))
    else:
        patch = Patch.load(folder)
        kept = sorted(folder.resolve().parent.glob(KEPT)) if folder.name == "patch.json" else []
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
