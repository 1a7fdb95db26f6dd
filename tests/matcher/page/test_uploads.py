"""Recordings on their way in."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import pytest
from starlette.requests import Request

from matcher.page.uploads import Uploads
from shared import EarwrightError

if TYPE_CHECKING:
    from pathlib import Path


def _request(*pieces: bytes) -> Request:
    """Make a request that sends its body in pieces."""
    waiting = [{"type": "http.request", "body": piece, "more_body": True} for piece in pieces]
    waiting.append({"type": "http.request", "body": b"", "more_body": False})

    async def receive() -> dict[str, object]:
        return waiting.pop(0)

    return Request({"type": "http", "method": "POST", "headers": []}, receive)


def test_all_uploads_together_have_a_limit(tmp_path: Path) -> None:
    """A second one that doesn't fit beside the first is refused, and fits when that is gone."""

    async def send() -> None:
        uploads = Uploads(tmp_path, most_bytes=10)
        async with uploads.receive(_request(b"1234", b"567"), 10) as first:
            assert first.read_bytes() == b"1234567"
            with pytest.raises(EarwrightError, match="being sent at once"):
                async with uploads.receive(_request(b"1234"), 10):
                    pass
        async with uploads.receive(_request(b"1234"), 10) as again:
            assert again.read_bytes() == b"1234"

    asyncio.run(send())
    assert list(tmp_path.iterdir()) == []
