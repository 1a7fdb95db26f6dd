"""The options that say what counts most."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from matcher.cli import main
from matcher.losses import TERM_WORDS, weights_for
from tests.matcher.cli.recordings_on_disk import write_note

if TYPE_CHECKING:
    from pathlib import Path

QUICK = ("--tries", "32", "--structure", "one-oscillator", "--json", "--no-report")


@pytest.fixture(autouse=True)
def _in_tmp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let each test have a folder of its own as the current one."""
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize(
    ("argv", "expected"),
    [
        (["--weights", "attack-first"], weights_for("attack first")),
        (["--weights", "Movement First"], weights_for("movement first")),
        (["--weight", "attack=2"], weights_for(onset=2.0)),
        (
            ["--weight", "attack=2", "--weight", "pitch=.5", "--weights", "movement-first"],
            weights_for("movement first", onset=2.0, pitch=0.5),
        ),
        (["--weight", "attack=2", "--weight", "attack=3."], weights_for(onset=3.0)),
    ],
)
def test_weights_get_into_the_run(
    argv: list[str], expected: dict[str, float], capsys: pytest.CaptureFixture[str]
) -> None:
    """Preset and single weights are joined, and run.json holds the numbers."""
    write_note("reed.wav")
    assert main(["match", "reed.wav", *QUICK, *argv]) == 0
    assert json.loads(capsys.readouterr().out)["settings"]["weights"] == expected


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        (
            ["--weights", "atack-first"],
            '--weights: "atack-first" is not known (did you mean attack-first',
        ),
        (
            ["--weights", "loud"],
            '"loud" is not known; it must be balanced, attack-first or movement-first.',
        ),
        (["--weight", "atack=2"], '"atack=2" is not understood (did you mean attack?); it must'),
        (["--weight", "onset=2"], '"onset=2" is not understood (onset is called attack now);'),
        (["--weight", "attack=-1"], "a number of 0 or more"),
        (["--weight", "attack=nan"], "a number of 0 or more"),
        ([f"--weight={word}=0" for word in TERM_WORDS.values()], "one of them must be above 0"),
    ],
    ids=["misspelt", "unknown", "misspelt term", "former term", "negative", "nan", "all zero"],
)
def test_what_cannot_be_weighed_is_refused_in_one_line(
    argv: list[str], message: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Before a file is read: the recording isn't even there, and nothing is left behind."""
    assert main(["match", "gone.wav", *QUICK, *argv]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert message in err
    assert list(tmp_path.iterdir()) == []
