"""Several notes on the command line: manifests, one recording of many, notes left out."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

from matcher.cli import main
from matcher.runs.folder import load_run
from tests.matcher.cli.recordings_on_disk import write_note
from tests.matcher.small_match import RATE_HZ, played_note
from tests.sequences import TARGETS

pytestmark = pytest.mark.slow

QUICK = ("--tries", "48", "--structure", "one-oscillator", "--no-report")
MANIFEST = str(TARGETS / "manifest.toml")


@pytest.fixture(autouse=True)
def _in_tmp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let each test have a folder of its own as the current one."""
    monkeypatch.chdir(tmp_path)


def write_scale(name: str = "scale.wav") -> None:
    """Write three notes, at 0.1, 0.9 and 1.7 s."""
    notes = [np.append(played_note(key), np.zeros(RATE_HZ // 10)) for key in (57.0, 60.0, 64.0)]
    soundfile.write(name, np.concatenate(notes), RATE_HZ, subtype="PCM_24")


def test_an_instrument_of_a_manifest_is_matched(capsys: pytest.CaptureFixture[str]) -> None:
    """One patch for its notes, with pitch and velocity as the manifest has them."""
    argv = ["match", MANIFEST, "--instrument", "horn_stab", "--json", *QUICK]
    assert main(argv) == 0
    run = json.loads(capsys.readouterr().out)
    played = [(note["played"]["midi_pitch"], note["played"]["velocity"]) for note in run["notes"]]
    assert played == [(60.0, 45), (60.0, 100), (67.0, 100)]
    assert "amp_env.velocity_db" in run["structure"]["searched"]
    assert "filter.key_track_ratio" in run["structure"]["searched"]


def test_a_recording_is_split_and_what_was_found_is_said(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The number of notes and their seconds stand in a note on stderr, and in run.json."""
    write_scale()
    assert main(["match", "scale.wav", "--split", *QUICK]) == 0
    out, err = capsys.readouterr()
    assert re.search(
        r"earwright: warning: scale\.wav: 3 notes are found, at 0\.\d\d, 0\.[89]", err
    )
    assert "Give --velocity, one value for each note" in err
    assert "scale-3: " in out
    run = load_run("runs/scale-one-oscillator-1")
    assert [note.name for note in run.notes] == ["scale-1", "scale-2", "scale-3"]
    assert any("3 notes are found" in text for text in run.run["warnings"])  # type: ignore[attr-defined]


def test_times_and_velocities_are_given_as_lists(capsys: pytest.CaptureFixture[str]) -> None:
    """Then nothing is left to be said on stderr."""
    write_scale()
    argv = ["match", "scale.wav", "--split", "0,0.8,1.6", "--velocity", "60,100,", "--json"]
    assert main([*argv, *QUICK]) == 0
    out, err = capsys.readouterr()
    assert [note["played"]["velocity"] for note in json.loads(out)["notes"]] == [60, 100, 100]
    # One gap in the list: that velocity is assumed, and said to be.
    assert err.count("\n") == 1
    assert "Nothing tells how hard scale-3 was struck, so velocity 100 is taken. Give" in err


def test_a_note_is_left_out_and_shown(capsys: pytest.CaptureFixture[str]) -> None:
    """By its file; the run folder marks its sounds."""
    for name in ("low.wav", "high.wav"):
        write_note(name)
    assert main(["match", "low.wav", "high.wav", "--leave-out", "high.wav", *QUICK]) == 0
    out = capsys.readouterr().out
    assert "Left out: does the patch hold" in out
    assert re.search(r"^    high +\d+\.\d\d +\d+\.\d\d  ", out, re.MULTILINE)
    run = load_run(next(Path("runs").iterdir()))
    assert [note.name for note in run.notes] == ["low"]
    assert [note.match.name for note in run.left_out] == ["high-left-out.wav"]


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        (
            ["--split", "scale.wav"],
            r'--split: "scale\.wav" is not a list of times; .*before --spl',
        ),
        (["scale.wav", "--split", "0,x"], r'--split: "0,x" is not a list of times'),
        (["scale.wav", "--split", "1,0"], r"--split is 1, 0; they must be rising times in s"),
        (["scale.wav", "--split", "0,9"], r"split: 9 s lies behind the end .* at 2\.40 s"),
        (
            ["scale.wav", "--split", "0,1", "--velocity", "1,2,3"],
            r"--velocity has 3 .* for 2 found",
        ),
        (["scale.wav", "--instrument", "horn"], r'--instrument is "horn", and no manifest'),
        ([MANIFEST], r"several instruments \(horn_stab, .*Give --instrument"),
        (
            [MANIFEST, "--instrument", "horns"],
            r'--instrument is "horns", .*Did you mean horn_stab',
        ),
        ([MANIFEST, "--split"], r"--split is set, and .*manifest\.toml is a manifest"),
        (["gone.toml"], r"gone\.toml can't be read: No such file"),
        (["scale.wav", "--leave-out", "each"], r'--leave-out is "each", and the target has one'),
        (
            ["scale.wav", "--split", "0,0.8", "--velocity", "9", "--leave-out", "D4"],
            r"--leave-out is D4, which is no note of the target; its notes are scale-1 \(A3",
        ),
    ],
    ids=lambda value: " ".join(value)[-40:] if isinstance(value, list) else "",
)
@pytest.mark.filterwarnings("ignore::shared.errors.EarwrightWarning")
def test_bad_input_is_one_line(
    argv: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 2, nothing written, and the option is named as the user typed it."""
    write_scale()
    assert main(["match", *argv, *QUICK]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    last = err.splitlines()[-1]
    assert re.search(rf"^earwright: .*{message}", last)
    assert all(line.startswith("earwright: warning: ") for line in err.splitlines()[:-1])
    assert not Path("runs").exists() or not any(Path("runs").iterdir())
