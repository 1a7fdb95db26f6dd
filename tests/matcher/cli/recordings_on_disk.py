"""Recordings, good and bad, as files for the command line."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import soundfile

from tests.matcher.small_match import RATE_HZ, played_note

if TYPE_CHECKING:
    from collections.abc import Callable

    from shared import FloatArray

__all__ = ["BAD", "write_note"]


def write_note(
    path: str | Path, *, rate_hz: int = RATE_HZ, n_channels: int = 1, subtype: str = "PCM_24"
) -> Path:
    """Write a plain note; each of several channels has it at a level of its own."""
    levels = np.linspace(1.0, 0.5, n_channels)
    soundfile.write(path, np.outer(played_note(rate_hz=rate_hz), levels), rate_hz, subtype=subtype)
    return Path(path)


def _write(path: Path, signal: FloatArray, subtype: str = "FLOAT") -> None:
    """Write samples as they are."""
    soundfile.write(path, signal, RATE_HZ, subtype=subtype)


def _truncate(path: Path) -> None:
    """Cut a good file in the middle."""
    content = write_note(path).read_bytes()
    path.write_bytes(content[: len(content) // 2])


def _with_nan(path: Path) -> None:
    """Write a note with one sample that is no number."""
    signal = played_note()
    signal[5000] = np.nan
    _write(path, signal)


def _without_pitch(path: Path) -> None:
    """Write a burst of white noise."""
    rng = np.random.default_rng(5)
    silence = np.zeros(RATE_HZ // 5)
    _write(path, np.concatenate([silence, 0.3 * rng.standard_normal(RATE_HZ // 2), silence]))


# What is wrong: the words that the message must hold, and how such a file is made.
BAD: dict[str, tuple[str, Callable[[Path], object]]] = {
    "missing": (r"doesn't exist", str),
    "folder": (r"is a folder", lambda path: path.mkdir()),
    "empty": (r"is empty \(0 bytes\)", lambda path: path.write_bytes(b"")),
    "truncated": (r"is cut off", _truncate),
    "text": (r"can't be read as audio", lambda path: path.write_text("no sound at all " * 99)),
    "silent": (r"is silent", lambda path: _write(path, np.zeros(RATE_HZ))),
    "nan": (r"sample 5000 is nan", _with_nan),
    "offset": (r"only a constant offset", lambda path: _write(path, np.full(RATE_HZ, 0.3))),
    "short": (
        r"is 20 ms long; it must be 50 ms or more",
        lambda path: _write(path, played_note()[:441]),
    ),
    "no pitch": (r"no pitch is found.*--pitch C4", _without_pitch),
}
