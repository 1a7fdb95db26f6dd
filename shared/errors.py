"""The family of errors and the one warning class.

Everything that the project refuses is an `EarwrightError`, so that the command line can turn it
into one line and an exit code. A message says what was wrong and its value, what it must be, and
what to do.
"""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

__all__ = [
    "AudioError",
    "EarwrightError",
    "EarwrightWarning",
    "FileError",
    "ParameterError",
    "PatchError",
    "RunFolderError",
    "StructureError",
    "TargetError",
    "suggest_names",
]


# What was wrong and where stands in front, what it must be and what to do at the end.
_HEAD_SIGNS, _TAIL_SIGNS = 450, 240


class EarwrightError(Exception):
    """Root of all errors that the project raises on purpose.

    Parameters
    ----------
    message : str
        One line; of more than 700 signs the middle is left out, as an endless value in a file
        would otherwise push what it must be out of sight.
    name : str, optional
        The field, parameter or argument at fault, as the user typed it.
    path : str or Path, optional
        The file at fault.
    """

    def __init__(
        self,
        message: str,
        *,
        name: str | None = None,
        path: str | Path | None = None,
    ) -> None:
        # Only the text goes to args: an exception with required keywords can't be unpickled,
        # and ours travel between processes.
        if len(message) > _HEAD_SIGNS + _TAIL_SIGNS + 10:
            message = f"{message[:_HEAD_SIGNS]} [...] {message[-_TAIL_SIGNS:]}"
        super().__init__(message)
        self.name = name
        self.path = path


class ParameterError(EarwrightError, ValueError):
    """A value lies outside its range, or a name is unknown."""


class FileError(EarwrightError):
    """A file can't be read, or can't be written without harm."""


class AudioError(EarwrightError):
    """A recording or a signal can't be used."""


class TargetError(EarwrightError):
    """Something that matching needs isn't found in the target."""


class PatchError(EarwrightError):
    """A patch file can't be understood."""


class StructureError(EarwrightError):
    """A structure file can't be understood."""


class RunFolderError(EarwrightError):
    """A run folder can't be used."""


class EarwrightWarning(UserWarning):
    """Something was assumed; the text says what, and how to override it."""


def suggest_names(name: str, candidates: Iterable[str]) -> str:
    """Say which known names, three at most, are spelt like an unknown one; empty if none is.

    Examples
    --------
    >>> suggest_names("filter.cutof_hz", ["filter.cutoff_hz", "tune_cents"])
    'Did you mean filter.cutoff_hz?'
    """
    near = difflib.get_close_matches(name, list(candidates), n=3, cutoff=0.6)
    return f"Did you mean {' or '.join(near)}?" if near else ""
