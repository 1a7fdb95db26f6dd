"""Keeping a decoder from writing to the terminal.

The MP3 decoder inside libsndfile tells about damaged frames on the standard error stream of the
process, past Python: dozens of lines about bits, in the middle of a progress bar.
"""

from __future__ import annotations

import contextlib
import os
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__: list[str] = []

_STANDARD_ERROR = 2
# Two readers at once would put the streams back in the wrong order.
_LOCK = threading.Lock()


@contextlib.contextmanager
def quiet_decoder(path: Path) -> Iterator[None]:
    """Send standard error nowhere while a file that may hold MP3 is decoded.

    Other formats are decoded without a word. What is no WAV, FLAC, AIFF or OGG by its first
    bytes is taken for MP3 by libsndfile, whatever its suffix.
    """
    with path.open("rb") as file:
        is_other = file.read(4) in {b"RIFF", b"RIFX", b"fLaC", b"FORM", b"OggS"}
    if is_other:
        yield
        return
    with _LOCK, contextlib.ExitStack() as stack:
        try:
            kept = os.dup(_STANDARD_ERROR)
            nowhere = os.open(os.devnull, os.O_WRONLY)
        except OSError:
            # Started without such a stream: nothing can be written to it.
            yield
            return
        stack.callback(os.close, kept)
        stack.callback(os.dup2, kept, _STANDARD_ERROR)
        os.dup2(nowhere, _STANDARD_ERROR)
        os.close(nowhere)
        yield
