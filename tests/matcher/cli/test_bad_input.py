"""Bad recordings through the real command: one clear line and exit 2, or a note and a result."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

from matcher.cli import main
from tests.matcher.cli.recordings_on_disk import BAD, write_note
from tests.matcher.small_match import RATE_HZ, played_note

QUICK = ("--tries", "32", "--structure", "one-oscillator", "--no-report")


@pytest.fixture(autouse=True)
def _in_tmp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let each test have a folder of its own as the current one."""
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize("case", BAD)
def test_a_bad_recording_is_one_line(case: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The file is named, what is wrong is said, nothing is printed or written, exit 2."""
    message, make = BAD[case]
    make(Path("take.wav"))
    assert main(["match", "take.wav", *QUICK]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert re.fullmatch(rf"earwright: take\.wav.*{message}.*\n", err)
    assert not Path("runs").exists()


def test_one_bad_recording_among_good_ones_stops_all(capsys: pytest.CaptureFixture[str]) -> None:
    """A target with a hole would be matched wrongly; the bad file is named."""
    write_note("good.wav")
    assert main(["match", "good.wav", "gone.wav", *QUICK]) == 2
    assert "gone.wav doesn't exist" in capsys.readouterr().err


def test_a_given_pitch_helps_where_none_is_heard(capsys: pytest.CaptureFixture[str]) -> None:
    """With --pitch even noise is matched."""
    BAD["no pitch"][1](Path("take.wav"))
    assert main(["match", "take.wav", "--pitch", "C4", *QUICK]) == 0
    assert re.search(r"^take: C4, ", capsys.readouterr().out)


def _clipped(path: Path) -> None:
    """Write a note that ran into full scale."""
    soundfile.write(path, np.clip(4.0 * played_note(), -1.0, 1.0), RATE_HZ, subtype="PCM_16")


def _offset(path: Path) -> None:
    """Write a note on top of a constant offset."""
    soundfile.write(path, played_note() + 0.2, RATE_HZ, subtype="FLOAT")


def _cancelling(path: Path) -> None:
    """Write a note whose channels are each other's opposite."""
    note = played_note()
    soundfile.write(path, np.column_stack([note, -0.9 * note]), RATE_HZ, subtype="FLOAT")


def _long(path: Path) -> None:
    """Write a note, and silence until after a minute."""
    rate_hz = 8000
    note = played_note(rate_hz=rate_hz)
    signal = np.concatenate([note, np.zeros(61 * rate_hz - note.size)])
    soundfile.write(path, signal, rate_hz, subtype="PCM_16")


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (_clipped, r"is clipped"),
        (_offset, r"constant offset of 0\.2"),
        (_cancelling, r"channels cancel.*channel 1, the loudest, is used"),
        (_long, r"is 61\.0 s long; only the first 60 s are used"),
    ],
    ids=["clipped", "offset", "cancelling", "long"],
)
def test_a_doubtful_recording_is_a_note(
    make: object, message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was assumed is said on stderr, and kept in run.json; the result is right."""
    make(Path("take.wav"))  # type: ignore[operator]
    assert main(["match", "take.wav", "--json", *QUICK]) == 0
    out, err = capsys.readouterr()
    assert re.search(rf"^earwright: warning: take\.wav.*{message}.*$", err, re.MULTILINE)
    assert "Warning" not in err
    run = json.loads(out)
    assert any(re.search(message, text) for text in run["warnings"])
    assert run["notes"][0]["heard"]["pitch_hz"] == pytest.approx(220.0, rel=2e-3)


@pytest.mark.parametrize("rate_hz", [8000, 48_000, 192_000])
def test_every_usual_rate_is_read(rate_hz: int, capsys: pytest.CaptureFixture[str]) -> None:
    """From 8 to 192 kHz the pitch is that of the note, and both sounds are of one length."""
    write_note("take.wav", rate_hz=rate_hz)
    assert main(["match", "take.wav", "--json", *QUICK]) == 0
    run = json.loads(capsys.readouterr().out)
    assert run["notes"][0]["heard"]["pitch_hz"] == pytest.approx(220.0, rel=2e-3)
    sounds = [Path(run["folder"]) / run["notes"][0]["files"][s] for s in ("target", "match")]
    lengths = {(soundfile.info(path).frames, soundfile.info(path).samplerate) for path in sounds}
    assert len(lengths) == 1


@pytest.mark.parametrize("rate_hz", [7999, 192_001])
def test_other_rates_are_refused(rate_hz: int, capsys: pytest.CaptureFixture[str]) -> None:
    """The message says which rates are accepted."""
    write_note("take.wav", rate_hz=rate_hz)
    assert main(["match", "take.wav", *QUICK]) == 2
    assert f"{rate_hz} Hz; it must be 8000 to 192000 Hz" in capsys.readouterr().err


@pytest.mark.parametrize("n_channels", [1, 2, 8])
def test_up_to_eight_channels_are_read(
    n_channels: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """Channels are folded to one, which holds the same note."""
    write_note("take.wav", n_channels=n_channels)
    assert main(["match", "take.wav", "--json", *QUICK]) == 0
    run = json.loads(capsys.readouterr().out)
    assert run["notes"][0]["heard"]["pitch_hz"] == pytest.approx(220.0, rel=2e-3)


def test_nine_channels_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """The message says how many are accepted."""
    write_note("take.wav", n_channels=9)
    assert main(["match", "take.wav", *QUICK]) == 2
    assert "9 channels; there must be 1 to 8" in capsys.readouterr().err
