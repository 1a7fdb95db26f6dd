"""A decoder that writes past Python to the terminal."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

import pytest
import soundfile

from matcher.page.targets import check_length
from matcher.report._notes import read_sound
from shared import AudioError, read_recording
from tests.matcher.small_match import RATE_HZ, played_note

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("share", [0.3, 0.6])
def test_a_damaged_mp3_is_read_or_refused_without_a_word(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], share: float
) -> None:
    """The MP3 decoder complains about frames on the error stream; none of that is shown."""
    path = tmp_path / "take.mp3"
    soundfile.write(path, played_note(), RATE_HZ, format="MP3", subtype="MPEG_LAYER_III")
    content = bytearray(path.read_bytes())
    place = int(share * len(content))
    content[place : place + 300] = b"\xff" * 300
    path.write_bytes(content)
    for read in (read_recording, check_length, read_sound):
        with contextlib.suppress(AudioError):
            read(path)
    out, err = capfd.readouterr()
    assert (out, err) == ("", "")
