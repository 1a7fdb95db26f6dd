"""``earwright render`` through its real front door."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from matcher.cli import main
from matcher.runs.folder import RunFolder, save_run
from shared import MAX_LOUDNESS_LUFS, MAX_TRUE_PEAK_DBTP, Patch, loudness_lufs, true_peak_db
from tests.matcher.small_match import small_match
from voice import render


@pytest.fixture(autouse=True)
def _in_tmp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let each test have a folder of its own as the current one."""
    monkeypatch.chdir(tmp_path)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> RunFolder:
    """Return a small run on the disk."""
    return save_run(small_match("reed"), tmp_path_factory.mktemp("runs") / "reed-run")


QUIET = {"osc1.saw_level": 0.05, "filter.cutoff_hz": 2000.0}


def test_a_note_is_the_one_that_the_voice_plays(capsys: pytest.CaptureFixture[str]) -> None:
    """Pitch, velocity, gate, rate and seed reach the voice; what was written is told."""
    Patch("mine", {**QUIET, "noise.level": 0.02}).save("mine.json")
    argv = ["render", "mine.json", "--pitch", "C5", "--velocity", "80", "--held", "0.5"]
    assert main([*argv, "--rate", "48000", "--seed", "9", "--out", "c5.wav"]) == 0
    sound, rate_hz = soundfile.read("c5.wav")
    expected = render(
        Patch.load("mine.json"),
        midi_pitch=72.0,
        velocity=80,
        gate_s=0.5,
        sample_rate_hz=48_000,
        seed=9,
    )
    assert rate_hz == 48_000
    # One step of 24 bits is 2**-23.
    np.testing.assert_allclose(sound, expected, rtol=0.0, atol=2.0**-23)
    out, err = capsys.readouterr()
    assert out.startswith("c5.wav: C5, velocity 80, held 0.50 s")
    assert "turned down" not in out
    assert "Start with the monitor level down" in out
    assert err == ""


def test_a_loud_patch_is_turned_down_and_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    """The file is within both limits, and the printout says by how much it was lowered."""
    values = {"osc1.saw_level": 1.0, "osc2.saw_level": 1.0, "osc2.pulse_level": 1.0}
    Patch("mine", values).save("loud.json")
    assert main(["render", "loud.json", "--out", "loud.flac"]) == 0
    assert "turned down by" in capsys.readouterr().out
    sound, rate_hz = soundfile.read("loud.flac")
    # A hundredth of a dB for the rounding to 24 bits.
    assert loudness_lufs(sound, rate_hz) <= MAX_LOUDNESS_LUFS + 0.01
    assert true_peak_db(sound, rate_hz) <= MAX_TRUE_PEAK_DBTP + 0.01


def test_a_silent_patch_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    """An empty file isn't a fault of the loudspeakers."""
    Patch("mine", {"osc1.saw_level": 0.0}).save("mine.json")
    assert main(["render", "mine.json", "--out", "x.wav"]) == 0
    assert "it is silent" in capsys.readouterr().out


def test_a_run_folder_plays_the_note_of_its_target(
    run: RunFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without further words the first note of the target is played, at a name that tells it."""
    assert main(["render", str(run.path)]) == 0
    played = run.notes[0].played
    out = capsys.readouterr().out
    assert out.startswith(f"reed-run_A3_v90.wav: A3, velocity 90, held {played.gate_s:.2f} s")
    assert Path("reed-run_A3_v90.wav").is_file()


def test_the_patch_of_a_run_is_named_after_the_run(
    run: RunFolder, capsys: pytest.CaptureFixture[str]
) -> None:
    """All patches in run folders have one name; the folder's name tells them apart."""
    assert main(["render", str(run.path / "patch.json"), "--pitch", "60.25"]) == 0
    assert capsys.readouterr().out.startswith("reed-run_C4+25_v100.wav: C4 +25 cents")


def test_an_existing_file_is_kept_without_force(capsys: pytest.CaptureFixture[str]) -> None:
    """The file stays as it is; force replaces it."""
    Patch("mine", QUIET).save("mine.json")
    Path("c4.wav").write_text("precious")
    assert main(["render", "mine.json", "--out", "c4.wav"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("earwright: c4.wav exists already and is kept.")
    assert "--force" in err
    assert Path("c4.wav").read_text() == "precious"
    assert main(["render", "mine.json", "--out", "c4.wav", "--force"]) == 0
    assert soundfile.info("c4.wav").frames > 0


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        (["gone.json"], "gone.json can't be read: No such file"),
        (["."], "has no run.json"),
        (["broken.json"], "broken.json"),
        (["mine.json", "--out", "x.mp3"], 'the suffix is ".mp3"; it must be'),
        (["mine.json", "--out", "no/x.wav"], "no/x.wav can't be written"),
        (["mine.json", "--rate", "4000"], '--rate: "4000" must be a whole number from'),
        (["mine.json", "--pitch", "C99"], '--pitch: "C99" is not understood'),
        (["mine.json", "--held", "61"], '--held: "61" must be'),
        (["mine.json", "more.json"], '"more.json" is one argument too many'),
        ([], "PATCH is missing"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_what_cannot_be_rendered_is_one_line(
    argv: list[str], message: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """What was wrong and what is accepted; exit 2, nothing written."""
    Patch("mine", QUIET).save("mine.json")
    Path("broken.json").write_text('{"schema_version": 1, "values": {"filter.cutoff_hz": "high"}}')
    before = set(tmp_path.iterdir())
    assert main(["render", *argv]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("earwright: ")
    assert err.count("\n") == 1
    assert message in err
    assert set(tmp_path.iterdir()) == before
