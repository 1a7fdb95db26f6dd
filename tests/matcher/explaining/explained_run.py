"""A run folder of a brass-like note of our own voice, for tests of what is done with a run."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matcher import match_and_save
from tests.explained_notes import BRASS, played_target

if TYPE_CHECKING:
    from pathlib import Path

    from matcher import RunFolder

__all__ = ["explained_run", "set_patch"]


def explained_run(folder: Path, *pitches: float) -> RunFolder:
    """Match the note with some candidates, and write the run.

    Parameters
    ----------
    folder : Path
        Where to write.
    *pitches : float
        MIDI pitches of the notes; C4 if there are none.

    Returns
    -------
    RunFolder
        As it is read back.
    """
    target = played_target(BRASS, *pitches)
    _, run = match_and_save(
        target, folder, structure="two-oscillator", evals=96, seed=1, progress=False
    )
    return run


def set_patch(run: RunFolder, **changes: float) -> None:
    """Change values of the run's patch, with ``__`` for the dots of their names."""
    named = {name.replace("__", "."): value for name, value in changes.items()}
    patch = type(run.patch)(
        run.patch.structure,
        {**BRASS, **named},
        run.patch.provenance,
        run.patch.phases,
    )
    patch.save(run.path / "patch.json", overwrite=True)
