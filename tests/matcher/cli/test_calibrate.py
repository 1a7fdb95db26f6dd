"""``earwright calibrate`` through its front door."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile

from matcher.cli import main
from tests.calibration_notes import RATE_HZ, known_places
from voice import load_structure

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder with a structure file and recordings of its cutoff."""
    monkeypatch.chdir(tmp_path)
    assert main(["structures", "new", "mine.toml"]) == 0
    for place in known_places("filter.cutoff_hz"):
        (tmp_path / f"{place.panel:g}.flac").symlink_to(place.path)
    rng = np.random.default_rng(1)
    soundfile.write(tmp_path / "hiss.wav", 0.1 * rng.standard_normal(RATE_HZ), RATE_HZ)
    soundfile.write(tmp_path / "silent.wav", np.zeros(RATE_HZ), RATE_HZ)
    return tmp_path


PLACES = [f"{place.panel:g}={place.panel:g}.flac" for place in known_places("filter.cutoff_hz")]
WORDS = ["calibrate", "mine.toml", "filter.cutoff_hz"]


@pytest.mark.usefixtures("desk")
def test_a_table_is_measured_and_written(capsys: pytest.CaptureFixture[str]) -> None:
    """The structure then has the values of the instrument, within what an ear hears."""
    assert main([*WORDS, *PLACES]) == 0
    out = capsys.readouterr().out
    assert "standard error" in out
    assert out.splitlines()[-1] == "mine.toml has the table now."
    scale = load_structure("mine.toml").controls["filter.cutoff_hz"].scale
    assert scale is not None
    for place in known_places("filter.cutoff_hz"):
        assert scale.value(place.panel) == pytest.approx(place.value, rel=0.025)
    assert len(scale.errors) == len(PLACES)
    assert main(["structures", "check", "mine.toml"]) == 0


def test_a_dry_run_writes_nothing(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It prints the same table."""
    before = (desk / "mine.toml").read_bytes()
    capsys.readouterr()
    assert main([*WORDS, *PLACES[:3], "--dry-run", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["written"] is False
    assert [point["panel"] for point in document["points"]] == [0, 2, 4]
    assert any("the curve between them is a guess" in remark for remark in document["remarks"])
    assert (desk / "mine.toml").read_bytes() == before


def test_what_can_be_measured_is_listed(capsys: pytest.CaptureFixture[str]) -> None:
    """With what has to be recorded for it."""
    assert main(["calibrate", "--list"]) == 0
    out = capsys.readouterr().out
    assert "filter.cutoff_hz\n  a sawtooth alone" in out
    assert max(map(len, out.splitlines())) <= 79


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (WORDS, "FILE, PARAMETER and POSITION=RECORDING are needed"),
        ([*WORDS, "0.flac"], '"0.flac" must be POSITION=RECORDING'),
        ([*WORDS, "nan=0.flac"], '"nan=0.flac" must be'),
        ([*WORDS, "0=missing.flac", *PLACES], "missing.flac"),
        ([*WORDS, "0=hiss.wav", *PLACES], "hiss"),
        ([*WORDS, "0=silent.wav", *PLACES], "silent"),
        ([*WORDS, PLACES[0]], "two places or more make a table, and 1 was measured"),
        ([*WORDS[:2], "filter.cutof_hz", *PLACES], "Did you mean filter.cutoff_hz"),
        ([*WORDS[:2], "noise.decay_s", *PLACES], "noise.decay_s is not free"),
        (["calibrate", "complete", "filter.cutoff_hz", *PLACES], "no structure file of yours"),
    ],
)
def test_what_can_not_be_measured_is_refused(
    words: list[str], message: str, desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line that says what to give instead, and the file stays as it is."""
    before = (desk / "mine.toml").read_bytes()
    capsys.readouterr()
    assert main(words) == 2
    err = capsys.readouterr().err
    assert message in err
    assert err.count("\n") == 1
    assert (desk / "mine.toml").read_bytes() == before
