"""``earwright match`` through its real front door."""

from __future__ import annotations

import json
import re
import signal
from pathlib import Path

import pytest

import matcher.matching
from matcher.cli import main
from matcher.optimise import SAMPLER_NAMES, SearchRecord
from matcher.runs.folder import load_run
from matcher.texts.words import SEARCH_WORDS
from shared.files import sha256_digest
from tests.matcher.cli.recordings_on_disk import write_note

pytestmark = pytest.mark.slow

TARGETS = Path(__file__).resolve().parents[3] / "targets"
QUICK = ("--tries", "32", "--structure", "one-oscillator", "--no-report")


@pytest.fixture(autouse=True)
def _in_tmp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let each test have a folder of its own as the current one."""
    monkeypatch.chdir(tmp_path)


def test_a_demo_target_becomes_a_run_folder(capsys: pytest.CaptureFixture[str]) -> None:
    """The plain command leaves a whole run folder, and says what was heard and where it is."""
    assert main(["match", str(TARGETS / "horn_stab_C4_v100.flac"), "--tries", "64"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    run = load_run("runs/horn_stab_C4_v100-standard-1")
    assert run.run["figures"]["evaluations"] == 64  # type: ignore[index]
    for words in (
        "horn_stab_C4_v100: C4, key held ",
        "Still sounds different (distance ",
        "Patch (standard, ",
        "amplifier envelope    ",
        "everything else off",
        "Hear both: runs/horn_stab_C4_v100-standard-1/",
        "Start with the monitor level down",
    ):
        assert words in out
    assert len(out.splitlines()) <= 40
    assert "amp_env." not in out
    assert max(map(len, out.splitlines())) <= 79


def test_settings_are_kept(capsys: pytest.CaptureFixture[str]) -> None:
    """What was asked for stands in run.json, with the command line."""
    write_note("reed.wav")
    argv = ["match", "reed.wav", "--structure", "pulse-strings", "--seconds", "0.2"]
    argv += ["--seed", "5", "--search", "random of Optuna", "--out", "out", "--json"]
    assert main(argv) == 0
    run = json.loads(capsys.readouterr().out)
    assert run["command_line"] == ["earwright", *argv]
    assert run["settings"]["sampler"] == "random"
    assert run["settings"]["seconds"] == 0.2
    assert run["seed"] == 5
    assert run["structure"]["name"] == "pulse-strings"
    assert run["stop_reason"] == "deadline"
    assert run["folder"] == "out"


def test_quiet_prints_the_folder_only(capsys: pytest.CaptureFixture[str]) -> None:
    """A script gets the place of the result, and nothing to filter."""
    write_note("reed.wav")
    assert main(["match", "reed.wav", "--quiet", *QUICK]) == 0
    assert capsys.readouterr() == ("runs/reed-one-oscillator-1\n", "")


@pytest.mark.parametrize(
    ("option", "value", "expected"),
    [
        ("--pitch", "A3", [57.0, 57.0]),
        ("--pitch", "57,58.25", [57.0, 58.25]),
        ("--velocity", "40,", [40, 100]),
        ("--velocity", "64", [64, 64]),
        ("--held", "0.4,0.5", [0.4, 0.5]),
    ],
)
def test_notes_are_told_once_or_one_by_one(
    option: str, value: str, expected: list[float], capsys: pytest.CaptureFixture[str]
) -> None:
    """One value counts for all recordings, a list goes in their order, a gap stays open."""
    write_note("a.wav")
    write_note("b.wav")
    assert main(["match", "a.wav", "b.wav", option, value, "--json", *QUICK]) == 0
    played = [note["played"] for note in json.loads(capsys.readouterr().out)["notes"]]
    field = {"--pitch": "midi_pitch", "--velocity": "velocity", "--held": "gate_s"}[option]
    assert [note[field] for note in played] == expected


def test_an_existing_run_is_kept_without_force(capsys: pytest.CaptureFixture[str]) -> None:
    """The second match into one folder is refused before it searches; force replaces."""
    write_note("reed.wav")
    argv = ["match", "reed.wav", "--out", "out", "--quiet", *QUICK]
    assert main(argv) == 0
    before = sha256_digest(Path("out/run.json"))
    assert main(argv) == 2
    assert "out is not empty" in capsys.readouterr().err
    assert sha256_digest(Path("out/run.json")) == before
    assert main([*argv, "--force", "--seed", "4"]) == 0
    assert load_run("out").run["seed"] == 4


def test_a_folder_is_tried_before_the_search(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody searches for an hour to hear that the result can't be written."""

    def never(*_: object, **__: object) -> None:
        raise AssertionError

    monkeypatch.setattr(matcher, "match", never)
    write_note("reed.wav")
    Path("file").write_text("in the way")
    assert main(["match", "reed.wav", "--out", "file/out", *QUICK]) == 2
    assert "file/out can't be written: file is no folder" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        (["--structure", "two-oscilator"], r"Did you mean two-oscillator"),
        (["--structure", "gone.toml"], r"gone\.toml doesn't exist"),
        (["--search", "cma"], r'--search: "cma" is no search; it must be one of staged'),
        (["--search", "tpe"], r'"tpe" is called tpe of Optuna now'),
        (["--pitch", "H4"], r'--pitch: "H4" is not understood; it must be a note name'),
        (["--pitch", "C4,C5"], r"--pitch has 2 values for 1 recording"),
        (["--velocity", "0"], r'--velocity: "0" must be a whole number from 1 to 127'),
        (["--velocity", "64.5"], r'--velocity: "64\.5" must be'),
        (["--held", "0"], r'--held: "0" must be above 0 and up to 60 s'),
        (["--seconds", "nan"], r'--seconds: "nan" must be'),
        (["--seconds", "0"], r'--seconds: "0" must be'),
        (["--tries", "1e3"], r'--tries: "1e3" must be a whole number'),
        (["--tries", "8", "--seconds", "8"], r"--seconds: can't stand beside --tries"),
        (["--seed", "-1"], r'--seed: "-1" must be'),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_a_wrong_setting_is_one_line(
    argv: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was typed, what is accepted; exit 2, nothing written."""
    write_note("reed.wav")
    budget = [] if "--tries" in argv or "--seconds" in argv else ["--tries", "32"]
    assert main(["match", "reed.wav", *budget, *argv]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert re.match(rf"earwright: .*({message})", err)
    assert not Path("runs").exists()


def test_the_help_names_the_searches(capsys: pytest.CaptureFixture[str]) -> None:
    """Each search has a player's word, and the help lists them."""
    assert main(["match", "--help"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert set(SEARCH_WORDS) == set(SAMPLER_NAMES)
    assert all(word in text for word in SEARCH_WORDS.values())


def test_interrupts_while_writing_leave_a_whole_run(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Further Ctrl-C while files are written wait; all is there, exit 130, no traceback."""
    write_note("reed.wav")
    to_npz = SearchRecord.to_npz

    def interrupted(self: SearchRecord, *args: object, **options: object) -> None:
        for _ in range(5):
            signal.raise_signal(signal.SIGINT)
        to_npz(self, *args, **options)

    monkeypatch.setattr(SearchRecord, "to_npz", interrupted)
    assert main(["match", "reed.wav", "--out", "out", *QUICK]) == 130
    assert load_run("out").run["stop_reason"] == "evaluations"
    assert "Hear both: out/" in capsys.readouterr().out


def test_an_interrupt_before_the_search_writes_nothing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """While the recording is read there is nothing to keep yet."""

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(matcher, "load_target", interrupted)
    assert main(["match", "reed.wav", *QUICK]) == 130
    assert capsys.readouterr() == ("", "earwright: interrupted; nothing was written.\n")


def test_a_patch_that_cannot_be_written_is_shown(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """When the disk is full after the search, what was found isn't lost without a word."""
    write_note("reed.wav")

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("matcher.runs.folder.write_sounds", full)
        assert main(["match", "reed.wav", "--out", "out", *QUICK]) == 2
    out, err = capsys.readouterr()
    assert "Patch (one-oscillator)" in out
    assert "Files in" not in out
    assert err.startswith("earwright: out can't be written: No space left on device.")
    assert err.count("\n") == 1
    # Nothing is half written, and the search is saved: with room again, it only has to be written.
    assert {path.name for path in Path("out").iterdir()} == {"searches", ".lock"}
    assert main(["match", "--resume", "out"]) == 0
    assert "Patch (one-oscillator, " in capsys.readouterr().out
    assert load_run("out").run["figures"]["evaluations"] == 32  # type: ignore[index]
