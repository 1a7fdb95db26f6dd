"""Whether an audio file is whole, by the lengths in its headers: before a decoder sees it."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["is_cut_off"]

# A program that streams can't go back and write the length; readers then take the rest.
_UNKNOWN_SIZES = {0, 0xFFFFFFFF}
_SOUND_CHUNKS = {b"data", b"SSND"}
# RFC 3533, section 6: an Ogg page has at most 27 + 255 + 255 * 255 bytes.
_OGG_PAGE_MAX_BYTES = 65_307
_OGG_HEADER_BYTES = 27
_OGG_END_OF_STREAM = 0x04
# The lengths stand in the first frame, right after the tags.
_MP3_SEARCH_BYTES = 4096


def is_cut_off(path: Path) -> bool:
    """Compare the lengths in the headers of a file with its size."""
    size = path.stat().st_size
    with path.open("rb") as file:
        magic = file.read(12)
        if magic[:4] in {b"RIFF", b"RIFX"} and magic[8:] == b"WAVE":
            return _chunks_are_cut_off(file, size, "<" if magic[:4] == b"RIFF" else ">")
        if magic[:4] == b"FORM" and magic[8:] in {b"AIFF", b"AIFC"}:
            return _chunks_are_cut_off(file, size, ">")
        if magic[:4] == b"OggS":
            return _last_page_is_cut_off(file, size)
        is_frame = magic[:1] == b"\xff" and magic[1:2] >= b"\xe0"
        if magic[:3] == b"ID3" or is_frame:
            return _mp3_is_cut_off(file, size)
    return False


def _chunks_are_cut_off(file: BinaryIO, size: int, byte_order: str) -> bool:
    """Walk the chunks of an IFF file (EA IFF 85; Microsoft and IBM, RIFF, 1991)."""
    place = 12
    while place + 8 <= size:
        file.seek(place)
        name, length = struct.unpack(f"{byte_order}4sI", file.read(8))
        if name == b"data" and length in _UNKNOWN_SIZES:
            return False
        end = place + 8 + length
        if end > size:
            return True
        # What follows the sound doesn't matter, and some programs leave loose bytes there.
        if name in _SOUND_CHUNKS:
            return False
        # Chunks start at even places.
        place = end + end % 2
    return False


def _last_page_is_cut_off(file: BinaryIO, size: int) -> bool:
    """Look for a whole last page with the end-of-stream flag (RFC 3533, section 6)."""
    file.seek(max(0, size - _OGG_PAGE_MAX_BYTES))
    tail = file.read()
    page = tail[tail.rfind(b"OggS") :]
    if len(page) < _OGG_HEADER_BYTES:
        return True
    n_segments = page[_OGG_HEADER_BYTES - 1]
    lengths = page[_OGG_HEADER_BYTES : _OGG_HEADER_BYTES + n_segments]
    page_bytes = _OGG_HEADER_BYTES + n_segments + sum(lengths)
    is_last = bool(page[5] & _OGG_END_OF_STREAM)
    return not is_last or len(page) < page_bytes


def _mp3_is_cut_off(file: BinaryIO, size: int) -> bool:
    """Compare with the length in the first frame, where encoders write it ("Xing", "Info").

    The fields are common practice, no source; without them nothing says how long the file was.
    """
    start = _id3_bytes(file)
    file.seek(start)
    head = file.read(_MP3_SEARCH_BYTES)
    tag = max(head.find(b"Xing"), head.find(b"Info"))
    if tag < 0 or len(head) < tag + 16:
        return False
    (flags,) = struct.unpack(">I", head[tag + 4 : tag + 8])
    has_frames, has_bytes = flags & 1, flags & 2
    if not has_bytes:
        return False
    place = tag + (12 if has_frames else 8)
    (n_bytes,) = struct.unpack(">I", head[place : place + 4])
    return start + int(n_bytes) > size


def _id3_bytes(file: BinaryIO) -> int:
    """Return the length of a leading tag (ID3v2.4, section 3.1: four times seven bits)."""
    file.seek(0)
    header = file.read(10)
    if header[:3] != b"ID3" or len(header) < 10:
        return 0
    a, b, c, d = header[6:10]
    return 10 + (a << 21 | b << 14 | c << 7 | d)
