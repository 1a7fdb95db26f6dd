"""Sounds that are compared by ear: one gain for all, notes one after the other."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from matcher.interrupts import hold_interrupts
from shared import FileError, limit_level, seconds_to_samples, write_recording

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from shared import FloatArray

__all__ = []

GAP_S = 0.25
# Below this, a further gain is rounding: a ten-thousandth of a dB.
_GAIN_SLACK = 1e-5
_NUMBERED = re.compile(r"\d{2,3}(-[\w-]+)?\.wav")


def joined(
    sounds: Sequence[FloatArray], sample_rate_hz: int, *, gap_s: float = GAP_S
) -> FloatArray:
    """Put sounds one after the other with short gaps."""
    gap = np.zeros(seconds_to_samples(gap_s, sample_rate_hz))
    pieces = [piece for sound in sounds for piece in (sound, gap)]
    return np.concatenate(pieces[:-1])


def common_gain(sounds: Sequence[FloatArray], sample_rate_hz: int) -> float:
    """Find one gain with which all sounds are within the limits of peak and loudness."""
    gain = 1.0
    # Turned down, a sound can lose blocks below the gate of the loudness measure and then count
    # as louder, so one pass isn't always enough.
    for _ in range(8):
        further = min(limit_level(sound * gain, sample_rate_hz)[1] for sound in sounds)
        gain *= further
        if further > 1.0 - _GAIN_SLACK:
            break
    return gain


def write_together(
    folder: Path, names: Sequence[str], notes: Sequence[Sequence[FloatArray]], sample_rate_hz: int
) -> None:
    """Write numbered sounds of several notes each; numbers of an earlier time are taken away."""
    sounds = [joined(each, sample_rate_hz) for each in notes]
    gain = common_gain(sounds, sample_rate_hz)
    home = (folder / names[0]).parent
    make_folder(home)
    with hold_interrupts():
        for name, sound in zip(names, sounds, strict=True):
            write_recording(folder / name, sound * gain, sample_rate_hz, overwrite=True)
        keep_numbered(home, names)


def keep_numbered(folder: Path, files: Sequence[str]) -> None:
    """Take numbered sounds of an earlier time away, but not those just written."""
    kept = {file.rpartition("/")[2] for file in files}
    for path in folder.iterdir():
        if _NUMBERED.fullmatch(path.name) and path.name not in kept:
            path.unlink()


def make_folder(folder: Path) -> None:
    """Make a folder for sounds, or say why that can't be done."""
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise FileError(
            f"{folder} can't be made: {error.strerror or error}. Check the run folder and its "
            "permissions.",
            path=folder,
        ) from error
