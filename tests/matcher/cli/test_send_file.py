"""``earwright send-file`` through its front door."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

import mido
import pytest

from matcher.cli import main
from shared import Patch
from voice import load_structure

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def patch_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """Work in a folder with a patch of the middling panel."""
    monkeypatch.chdir(tmp_path)
    desk = load_structure("wagon-desk")
    Patch("wagon-desk", desk.complete({"filter.cutoff_hz": 1750.0})).save("desk.json")
    return "desk.json"


def controllers(path: str) -> dict[int, int]:
    """Read controllers and values of a file."""
    return {m.control: m.value for m in mido.MidiFile(path) if m.type == "control_change"}


def test_the_file_sets_the_panel(patch_file: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Cutoff at 6 of 10 is 76 of 127; all controllers of the panel are in the file."""
    assert main(["send-file", patch_file, "--out", "patch.mid"]) == 0
    out = capsys.readouterr().out
    assert "patch.mid: 23 controls on channel 2" in out
    assert "monitor level down" in out
    # The sound controllers; the others share those that NRPN takes.
    assert {71, *range(72, 79), 98, 99} <= set(controllers("patch.mid"))
    assert controllers("patch.mid")[74] == 76


def test_another_structure_and_channel_can_be_given(
    patch_file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same patch for an instrument that listens to the sound controllers only."""
    words = ["send-file", patch_file, "--out", "a.mid", "--structure", "two-oscillator"]
    assert main([*words, "--map", "sound-controllers", "--channel", "9", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["channel"] == 9
    assert {entry["controller"] for entry in document["controllers"]} == {
        f"CC {number}" for number in range(71, 76)
    }
    assert any(text.startswith("oscillator 1: sawtooth ") for text in document["by_hand"])
    assert {m.channel for m in mido.MidiFile("a.mid") if m.type == "control_change"} == {8}


def test_each_control_is_told_with_its_part(
    patch_file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A voice has several attacks and depths; the printout says which one is meant."""
    words = ["send-file", patch_file, "--out", "a.mid", "--structure", "two-oscillator"]
    assert main([*words, "--map", "sound-controllers"]) == 0
    sent, by_hand = capsys.readouterr().out.split("To set by hand")
    assert re.search(r"^  amplifier envelope: attack +CC 73 +\d+$", sent, flags=re.MULTILINE)
    assert re.search(r"^  amplifier envelope: sustain 100 %$", by_hand, flags=re.MULTILINE)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["missing.json"], "missing.json"),
        (["desk.json", "--structure", "complete"], "complete gives no control a MIDI controller"),
        (["desk.json", "--map", "mine"], "map is 'mine'; it must be sound-controllers"),
        (["desk.json", "--channel", "17"], "a whole number from 1 to 16"),
        (["strange.json"], "made for the structure 'strange'.*Give its file with --structure"),
    ],
)
@pytest.mark.usefixtures("patch_file")
def test_what_can_not_be_sent_is_refused(
    words: list[str], message: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """One line that says what to give instead, and no file."""
    Patch("strange").save("strange.json")
    assert main(["send-file", *words, "--out", "a.mid"]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1

    assert re.search(message, err)
    assert not (tmp_path / "a.mid").exists()


def test_nothing_is_overwritten_unless_asked(
    patch_file: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """--force replaces the file."""
    (tmp_path / "a.mid").write_bytes(b"mine")
    assert main(["send-file", patch_file, "--out", "a.mid"]) == 2
    assert "exists already" in capsys.readouterr().err
    assert (tmp_path / "a.mid").read_bytes() == b"mine"
    assert main(["send-file", patch_file, "--out", "a.mid", "--force"]) == 0
    assert controllers("a.mid")
