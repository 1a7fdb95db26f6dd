"""What is sent, piece by piece: recordings go to the disk, and only so many bytes at once."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from shared import EarwrightError
from shared.files import hold, remove_leftovers, temporary_name

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from starlette.requests import Request

# On disk until they are a target, or refused. Eight recordings of ten minutes fit.
MAX_BYTES_AT_ONCE = 512_000_000
_NAME = "upload"


class TooLargeError(Exception):
    """A body is larger than accepted."""


async def pieces_of(request: Request, limit: int) -> AsyncIterator[bytes]:
    """Go through a body piece by piece, and give up as soon as it is too large."""
    announced = request.headers.get("content-length", "0")
    if not announced.isdecimal() or len(announced) > 15 or int(announced) > limit:
        raise TooLargeError(limit)
    n_bytes = 0
    async for piece in request.stream():
        n_bytes += len(piece)
        if n_bytes > limit:
            raise TooLargeError(limit)
        yield piece


class Uploads:
    """What windows send at this moment; used by the server's loop alone, so it needs no lock."""

    def __init__(self, folder: Path, *, most_bytes: int = MAX_BYTES_AT_ONCE) -> None:
        self._folder = folder
        self._most_bytes = most_bytes
        self._n_bytes = 0

    @contextlib.asynccontextmanager
    async def receive(self, request: Request, limit: int) -> AsyncIterator[Path]:
        """Write what a request sends to a hidden file, which goes away after the block."""
        self._folder.mkdir(parents=True, exist_ok=True)
        # Those of a server that was killed.
        remove_leftovers(self._folder, _NAME)
        path = temporary_name(self._folder / _NAME)
        n_own = 0
        try:
            with path.open("xb") as file:
                hold(file)
                async for piece in pieces_of(request, limit):
                    n_own += len(piece)
                    self._n_bytes += len(piece)
                    if self._n_bytes > self._most_bytes:
                        raise EarwrightError(
                            f"{self._most_bytes // 1_000_000} MB of recordings are being sent at "
                            "once, which is the most. Send this one again when the others are "
                            "there."
                        )
                    file.write(piece)
                file.flush()
                yield path
        finally:
            self._n_bytes -= n_own
            path.unlink(missing_ok=True)
