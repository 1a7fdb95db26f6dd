"""Takes as they are kept with their run: ``takes/0001.json`` and the sound beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from matcher.runs.layout import TAKES_FOLDER, cannot_write
from shared import RunFolderError, write_recording
from shared.documents import Document, read_document, write_document

if TYPE_CHECKING:
    from pathlib import Path

    from matcher.target import TargetNote

__all__ = ["KeptReading", "KeptTake", "keep_take", "list_takes"]


class KeptReading(Document, frozen=True, kw_only=True):
    """What one control was dialled to and sounded like, in places of its range from 0 to 1."""

    dialled: float
    fitted: float
    error: float


class KeptTake(Document, frozen=True, kw_only=True):
    """One take: what was read, and the slip that came of it."""

    kind: Literal["earwright take"] = "earwright take"
    schema_version: Literal[1] = 1
    number: int
    note: str
    sha256: str
    distance: float
    # What the controls were to sound like, and where they are to stand next.
    aims: dict[str, float]
    slip: dict[str, float]
    readings: dict[str, KeptReading]


def list_takes(run: Path) -> list[KeptTake]:
    """Read the takes of a run, in their order."""
    files = sorted((run / TAKES_FOLDER).glob("*.json"))
    return [read_document(file, KeptTake, error=RunFolderError) for file in files]


def keep_take(run: Path, document: KeptTake, take: TargetNote) -> None:
    """Write a take, its sound first: who has the document has both."""
    folder = run / TAKES_FOLDER
    stem = f"{document.number:04}"
    try:
        folder.mkdir(exist_ok=True)
        write_recording(folder / f"{stem}.wav", take.signal, take.sample_rate_hz, overwrite=True)
        write_document(folder / f"{stem}.json", document, overwrite=False)
    except OSError as error:
        raise cannot_write(run, error) from error
