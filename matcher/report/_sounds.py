"""Sounds inside a page: compressed, level-matched, and together no larger than a page may be.

FLAC keeps the front edge as it is and every browser of the last years reads it. Only if all
sounds together would be too large, Vorbis takes its place, and if that is too large too, the last
sounds are left out.
"""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from shared import db_to_amplitude, limit_level, loudness_lufs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shared import FloatArray

__all__: list[str] = []

# A page holds less than 5 MB; the pictures of a match take about 0.4 MB a note.
LARGEST_BYTES = 3_000_000
# libsndfile's encoder of Vorbis fails on very long blocks, so they are handed over in pieces.
BLOCK = 65_536
VORBIS_QUALITY = 0.6


@dataclass(frozen=True, eq=False)
class PlainSound:
    """A sound that is to go into a page."""

    signal: FloatArray
    sample_rate_hz: int
    is_exact: bool = True


@dataclass(frozen=True)
class EmbeddedSounds:
    """Sounds as a page holds them."""

    addresses: tuple[str | None, ...]
    is_exact: bool


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
    """Compress sounds so that they fit into a page."""
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
    return EmbeddedSounds(tuple(fitting), is_exact)


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
