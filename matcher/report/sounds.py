"""Sounds inside a page: compressed, level-matched, and together no larger than a page may be.

FLAC keeps the front edge as it is and every browser of the last years reads it. Only if all
sounds together would be too large, Vorbis takes its place, and if that is too large too, the last
sounds are left out.
"""

from __future__ import annotations

import base64
import io
import os
from dataclasses import dataclass, replace
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

import numpy as np

from shared import (
    AudioError,
    EarwrightError,
    db_to_amplitude,
    limit_level,
    loudness_lufs,
    read_recording,
)
from shared.audio import quiet_decoder

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from shared import FloatArray

# A page holds less than 5 MB; the pictures of a match take about 0.4 MB a note.
LARGEST_BYTES = 3_000_000
# libsndfile's encoder of Vorbis fails on very long blocks, so they are handed over in pieces.
BLOCK = 65_536
VORBIS_QUALITY = 0.6


@dataclass(frozen=True, eq=False)
class PlainSound:
    """A mono sound that is to go into a page, compressed without loss if there is room."""

    signal: FloatArray
    sample_rate_hz: int
    is_exact: bool = True


@dataclass(frozen=True)
class EmbeddedSounds:
    """Sounds as a page holds them: ``data:`` addresses, None for those that did not fit.

    `is_exact` says whether those that are to be are compressed without loss.
    """

    sounds: tuple[PlainSound, ...]
    addresses: tuple[str | None, ...]
    is_exact: bool

    def of(self, sound: PlainSound | None) -> str | None:
        """Return the address of a sound, if there is one."""
        found = zip(self.sounds, self.addresses, strict=True)
        return next((address for each, address in found if each is sound), None)


def read_sound(path: Path) -> PlainSound:
    """Read a sound that a run has written, as it is; even silence is one."""
    import soundfile  # noqa: PLC0415  keeps the command line quick

    try:
        # As bytes: a name need not be text.
        with quiet_decoder(path):
            signal, rate_hz = soundfile.read(os.fsencode(path), dtype="float64", always_2d=True)
    except (OSError, soundfile.LibsndfileError) as error:
        raise AudioError(
            f"{path} can't be read: {error}. Copy the run folder whole, or run the match again.",
            path=path,
        ) from error
    mono = signal.mean(axis=1)
    if mono.size == 0 or not np.all(np.isfinite(mono)):
        raise AudioError(
            f"{path} holds no samples that can be played; a sound of the run is needed. Run the "
            "match again.",
            path=path,
        )
    return PlainSound(mono, int(rate_hz))


def read_run_sound(folder: Path, file: str) -> PlainSound | None:
    """Read a sound of the run folder; None if it is gone, or lies outside of the folder."""
    parts = PurePosixPath(file).parts
    if not parts or ".." in parts or PurePosixPath(file).is_absolute() or "\\" in file:
        return None
    try:
        recording = read_recording(folder.joinpath(*parts))
    except EarwrightError:
        return None
    return PlainSound(recording.signal, recording.sample_rate_hz)


def match_loudness(target: PlainSound, match: PlainSound) -> tuple[PlainSound, PlainSound]:
    """Bring two sounds to one loudness (ITU-R BS.1770), by turning the louder one down."""
    levels = [loudness_lufs(sound.signal, sound.sample_rate_hz) for sound in (target, match)]
    if not all(np.isfinite(levels)):
        return target, match
    least = min(levels)
    quieter = [
        PlainSound(
            sound.signal * float(db_to_amplitude(least - level))
            if level > least
            else sound.signal,
            sound.sample_rate_hz,
        )
        for sound, level in zip((target, match), levels, strict=True)
    ]
    return quieter[0], quieter[1]


def embed_sounds(
    sounds: Sequence[PlainSound], *, largest_bytes: int = LARGEST_BYTES
) -> EmbeddedSounds:
    """Compress sounds, the most important first, so that they fit into a page.

    Each is within the limits of `shared.safety`.
    """
    limited = [
        replace(sound, signal=limit_level(sound.signal, sound.sample_rate_hz)[0])
        for sound in sounds
    ]
    addresses = [_address(sound, is_exact=sound.is_exact) for sound in limited]
    is_exact = sum(map(len, addresses)) <= largest_bytes
    if not is_exact:
        addresses = [_address(sound, is_exact=False) for sound in limited]
    fitting: list[str | None] = []
    size = 0
    for address in addresses:
        size += len(address)
        fitting.append(address if size <= largest_bytes else None)
    return EmbeddedSounds(tuple(sounds), tuple(fitting), is_exact)


def _address(sound: PlainSound, *, is_exact: bool) -> str:
    """Compress a sound, and write it as an address."""
    kind, content = ("flac", _flac(sound)) if is_exact else ("ogg", _vorbis(sound))
    return f"data:audio/{kind};base64,{base64.b64encode(content).decode('ascii')}"


def _flac(sound: PlainSound) -> bytes:
    """Compress without loss, 16 bits."""
    import soundfile  # noqa: PLC0415  keeps the command line quick

    buffer = io.BytesIO()
    soundfile.write(buffer, sound.signal, sound.sample_rate_hz, format="FLAC", subtype="PCM_16")
    return buffer.getvalue()


def _vorbis(sound: PlainSound) -> bytes:
    """Compress with loss."""
    import soundfile  # noqa: PLC0415

    buffer = io.BytesIO()
    with soundfile.SoundFile(
        buffer,
        "w",
        samplerate=sound.sample_rate_hz,
        channels=1,
        format="OGG",
        subtype="VORBIS",
        compression_level=1.0 - VORBIS_QUALITY,
    ) as file:
        for first in range(0, sound.signal.size, BLOCK):
            file.write(sound.signal[first : first + BLOCK])
    return buffer.getvalue()
