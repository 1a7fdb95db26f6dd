"""Where a recording ends in frequency, against a codec of libsndfile and notes that are dark."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile

from matcher.losses import NoteTarget
from matcher.playing import prepare_note
from matcher.target import load_target
from matcher.target.band_limit import band_limit_hz
from matcher.texts.match import format_heard
from shared.audio import resample
from tests.matcher.target.tones import RATE_HZ, played_saw
from tests.sequences import recorded_notes

if TYPE_CHECKING:
    from pathlib import Path

    from shared.types import FloatArray


def bright() -> FloatArray:
    """Play a bare sawtooth."""
    return played_saw(60, gate_s=0.5)


def test_what_a_codec_takes_away_is_not_compared(tmp_path: Path) -> None:
    """An MP3 of about 100 kbit/s ends near 15.5 kHz: said once, and left out of the losses."""
    path = tmp_path / "saw_C4.mp3"
    sound = np.concatenate([np.zeros(4410), bright()])
    sides = np.stack([sound, sound], axis=1)
    soundfile.write(path, sides, RATE_HZ, bitrate_mode="CONSTANT", compression_level=0.8)
    found = load_target(path)
    target = prepare_note(found.notes[0])
    assert target.top_hz == pytest.approx(15_500.0, abs=400.0)
    assert re.search(r"top +15\.\d kHz", format_heard(found.notes))
    whole = NoteTarget(bright(), sample_rate_hz=RATE_HZ)
    # The bands that are left count as many, in a narrower range.
    assert target.windows[3].plan.high_hz == target.top_hz < whole.windows[3].plan.high_hz


def test_a_lower_rate_on_the_way_is_a_limit() -> None:
    """A sound that once was at 22.05 kHz ends at 11 kHz (Shannon's sampling theorem)."""
    there_and_back = resample(resample(bright(), RATE_HZ, 22_050), 22_050, RATE_HZ)
    limit_hz = band_limit_hz(there_and_back, sample_rate_hz=RATE_HZ, pitch_hz=261.6)
    assert limit_hz == pytest.approx(10_700.0, abs=500.0)


@pytest.mark.parametrize("instrument", ["trumpet", "clarinet", "violin"])
def test_an_instrument_is_no_codec(instrument: str) -> None:
    """Recorded notes, however dark, have no limit."""
    for key in (48, 72):
        ((sound, _),) = recorded_notes(instrument, [key])
        assert band_limit_hz(sound, sample_rate_hz=RATE_HZ, pitch_hz=261.6) is None
