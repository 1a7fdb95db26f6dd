"""``earwright structures new``, ``check`` and ``schema`` through their front door."""

from __future__ import annotations

import json
import tomllib
from typing import TYPE_CHECKING

import jsonschema
import pytest

from matcher.cli import main
from tests.voice.test_structure_panel import MANY
from voice import check_structure, load_structure

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in an empty folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.usefixtures("desk")
def test_a_new_file_is_right_from_the_start(capsys: pytest.CaptureFixture[str]) -> None:
    """It passes the check, can be searched, and shows each kind of control."""
    assert main(["structures", "new", "my-synth.toml"]) == 0
    assert main(["structures", "check", "my-synth.toml"]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == "my-synth.toml: no mistakes."
    structure = load_structure("my-synth.toml")
    assert structure.name == "my-synth"
    scales = [control.scale for control in structure.controls.values() if control.scale]
    assert any(scale.is_switch for scale in scales)
    assert any(len(scale.points) > 2 and not scale.is_switch for scale in scales)
    assert any(scale.times for scale in scales)
    assert structure.links


def test_a_new_file_is_commented(desk: Path) -> None:
    """Each kind of table is explained where it begins, in lines that fit on a screen."""
    main(["structures", "new", "my-synth.toml"])
    lines = (desk / "my-synth.toml").read_text(encoding="utf-8").splitlines()
    for header in ("[fixed]", "[free]", "[links]", '[panel."filter.cutoff_hz"]'):
        assert lines[lines.index(header) - 1].startswith("#")
    assert max(map(len, lines)) <= 99


def test_any_name_of_a_file_can_be_taken(desk: Path) -> None:
    """Quotes and blanks in a name end neither the text nor the shell line in it."""
    name = 'the "old" one\'s $HOME.toml'
    assert main(["structures", "new", name]) == 0
    assert load_structure(desk / name).name == name.removesuffix(".toml")


def test_nothing_is_overwritten(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file that exists is kept."""
    (desk / "mine.toml").write_text("precious", encoding="utf-8")
    assert main(["structures", "new", "mine.toml"]) == 2
    assert "mine.toml exists already" in capsys.readouterr().err
    assert (desk / "mine.toml").read_text(encoding="utf-8") == "precious"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["new"], "FILE is missing"),
        (["check"], "FILE is missing"),
        (["new", "mine"], "mine can't be the name of a structure file; it must end in .toml"),
        (["new", "missing/mine.toml"], "can't be written"),
        (["check", "missing.toml"], "missing.toml doesn't exist"),
        (["complete", "mine.toml"], "one argument too many; new and check take a file"),
    ],
)
@pytest.mark.usefixtures("desk")
def test_what_can_not_be_done_is_refused(
    words: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line that says what to give instead."""
    assert main(["structures", *words]) == 2
    err = capsys.readouterr().err
    assert message in err
    assert err.count("\n") == 1


def test_check_tells_every_mistake(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each with file, line and field on a line of its own, and their number."""
    (desk / "many.toml").write_text(MANY, encoding="utf-8")
    assert main(["structures", "check", "many.toml"]) == 2
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("many.toml:1: schema_version: 2 is not known")
    assert "many.toml:13: panel.filter.cutoff_hz: physical values must rise" in lines[4]
    assert len(lines) == len(check_structure("many.toml")) + 1
    assert lines[-1] == "7 mistakes."


def test_check_speaks_json(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One object with line, field and text of each mistake."""
    (desk / "many.toml").write_text(MANY, encoding="utf-8")
    assert main(["structures", "check", "many.toml", "--json"]) == 2
    found = json.loads(capsys.readouterr().out)["mistakes"]
    assert found[2]["line"] == 6
    assert found[2]["field"] == "fixed.osc2.saw_level"
    assert found[2]["is_warning"] is False


def test_the_schema_accepts_a_new_file(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is printed is the schema that editors check the starting file with."""
    main(["structures", "new", "my-synth.toml"])
    capsys.readouterr()
    assert main(["structures", "schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    document = tomllib.loads((desk / "my-synth.toml").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema).validate(document)
