"""An explanation of a run, and the file that it is kept in.

Every section is optional: an explanation that was stopped holds what was done until then.
"""

from __future__ import annotations

import json
from collections.abc import Mapping  # noqa: TC003  fields are resolved when a file is read
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from matcher.explaining._reading import from_plain, to_plain
from matcher.explaining.how_to_set import (  # noqa: TC001  resolved when a file is read
    BuildOrder,
    SlackOfPatch,
)
from matcher.explaining.what_mattered import (  # noqa: TC001
    PartsInPatch,
    SearchImportance,
)
from matcher.runs.run_document import to_json
from shared import ParameterError, RunFolderError, write_atomic

__all__ = ["EXPLAIN_FILE", "SCHEMA_VERSION", "Explanation"]

EXPLAIN_FILE = "explain.json"
KIND = "earwright explanation"
SCHEMA_VERSION = 1


@dataclass(frozen=True)
class Explanation:
    """What mattered in a run.

    Parameters
    ----------
    patch_digest : str
        SHA-256 of the patch file that is explained.
    structure : str
        Name of the structure.
    loss : float
        Loss of the patch.
    terms : mapping of str to float
        Its terms.
    notes : tuple of str
        Names of the notes.
    created : str
        When it was made (ISO 8601).
    seconds : float
        Budget in s.
    elapsed_s : float
        Time it has taken in s.
    stop_reason : str
        "complete", "stopped" or "running" (what a crash leaves behind).
    search, parts, slack, build : optional
        The sections; None where one was not reached.
    """

    patch_digest: str
    structure: str
    loss: float
    terms: Mapping[str, float]
    notes: tuple[str, ...]
    created: str
    seconds: float
    elapsed_s: float
    stop_reason: str
    search: SearchImportance | None = None
    parts: PartsInPatch | None = None
    slack: SlackOfPatch | None = None
    build: BuildOrder | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        fields = to_plain(self)
        return {"kind": KIND, "schema_version": SCHEMA_VERSION, **fields}

    def save(self, run: str | Path) -> Path:
        """Write `explain.json` into a run folder, whole or not at all.

        Parameters
        ----------
        run : str or Path
            The folder; an earlier explanation in it is replaced.

        Returns
        -------
        Path
            The file.

        Raises
        ------
        FileError
            If it can't be written.
        """
        path = Path(run) / EXPLAIN_FILE
        write_atomic(path, to_json(self.to_dict()), overwrite=True)
        return path

    @classmethod
    def load(cls, run: str | Path) -> Explanation:
        """Read the explanation of a run.

        Parameters
        ----------
        run : str or Path
            The run folder, or the file itself.

        Returns
        -------
        Explanation
            As it was saved.

        Raises
        ------
        RunFolderError
            If there is none, or it can't be understood; the field is in the message.
        """
        path = Path(run)
        path = path / EXPLAIN_FILE if path.is_dir() else path
        document = _read(path)
        given = {k: v for k, v in document.items() if k not in {"kind", "schema_version"}}
        try:
            return from_plain(cls, given)
        except ParameterError as error:
            raise RunFolderError(
                f"{path}, {error} Make it anew with `earwright explain`.", path=path
            ) from error


def _read(path: Path) -> dict[str, Any]:
    """Read the document and check what it is."""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise RunFolderError(
            f"{path} doesn't exist: the run has not been explained. Run `earwright explain "
            f"{path.parent}` first.",
            path=path,
        ) from error
    except (OSError, ValueError, RecursionError) as error:
        raise RunFolderError(
            f"{path} can't be read as JSON: {error}. Make it anew with `earwright explain`.",
            path=path,
        ) from error
    kind = document.get("kind") if isinstance(document, dict) else None
    version = document.get("schema_version") if isinstance(document, dict) else None
    if kind != KIND or version != SCHEMA_VERSION:
        raise RunFolderError(
            f'{path}: kind is {kind!r} and schema_version {version!r}; "{KIND}" and '
            f"{SCHEMA_VERSION} are accepted. Make it anew with `earwright explain`.",
            name="schema_version",
            value=version,
            path=path,
        )
    return dict(document)
