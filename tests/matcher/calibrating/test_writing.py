"""Writing a table into a structure file: what was there stays, and the result is right."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.calibrating import Calibration, CalibrationPoint, write_calibration
from matcher.calibrating.writing import check_can_hold, with_table
from shared import StructureError
from voice.structure import load_structure, parse_structure

if TYPE_CHECKING:
    from pathlib import Path

HEAD = """# My synth: keep this line.
schema_version = 1
name = "mine"
meaning = "Mine."

[free]
"filter.cutoff_hz" = {}   # and this remark
"amp_env.release_s" = {}
"osc2.octave" = {}
"""
PANEL = """
# The big knob.
[panel."filter.cutoff_hz"]
label = "CUTOFF"
# what the manual says
knob = [0, 10]
values = [
  30,   # low
  9000,
]
scale = "log"
step = 0.5
midi = { cc = 74, values = [10, 110] }

[panel."osc2.octave"]
switch = ["a", "b"]
values = [0, 1]
"""
INLINE = """
[panel]
"osc2.octave" = { switch = ["a", "b"], values = [0, 1] }
"filter.cutoff_hz" = { label = "MY \\"C\\"", knob = [0, 9], values = [9, 99], midi = { cc = 7 } }
"""


def points(*values: float, parameter: str = "filter.cutoff_hz") -> Calibration:
    """Make a calibration with values at 0, 5, 10 ..., and errors of 1 %."""
    return Calibration(
        parameter,
        tuple(
            CalibrationPoint(5.0 * i, value, 0.01 * value, (f"{i}.wav",))
            for i, value in enumerate(values)
        ),
    )


def test_a_table_takes_the_place_of_the_ends() -> None:
    """Knob, values and scale go, in all their lines; everything else stays as it was."""
    text = with_table(HEAD + PANEL, points(61.2345678, 500.0, 8000.0), source="s.toml")
    structure = parse_structure(text, source="s.toml")
    control = structure.controls["filter.cutoff_hz"]
    assert control.scale is not None
    assert control.scale.points == ((0.0, 61.235), (5.0, 500.0), (10.0, 8000.0))
    assert control.scale.errors == (0.61, 5.0, 80.0)
    assert (control.label, control.scale.step) == ("CUTOFF", 0.5)
    gone = ("knob = [0, 10]", "values = [", "  30,   # low", "  9000,", "]", 'scale = "log"')
    kept = [line for line in (HEAD + PANEL).splitlines() if line not in gone]
    written = text.splitlines()
    assert [line for line in written if not line.startswith(("table", "errors"))] == kept


def test_a_second_calibration_replaces_the_first() -> None:
    """There is one table, the new one."""
    once = with_table(HEAD + PANEL, points(60.0, 500.0, 8000.0), source="s.toml")
    twice = with_table(once, points(50.0, 400.0, 7000.0), source="s.toml")
    assert twice.count("table = ") == 1
    assert len(twice.splitlines()) == len(once.splitlines())
    assert "[0, 50]" in twice


def test_an_entry_on_one_line_is_written_on_one_line() -> None:
    """Quotes in its label included."""
    text = with_table(HEAD + INLINE, points(60.0, 500.0, 8000.0), source="s.toml")
    control = parse_structure(text, source="s.toml").controls["filter.cutoff_hz"]
    assert control.label == 'MY "C"'
    assert control.controller is not None
    assert control.scale is not None
    assert len(control.scale.points) == 3
    assert len(text.splitlines()) == len((HEAD + INLINE).splitlines())


@pytest.mark.parametrize("text", [HEAD, HEAD.rstrip("\n"), HEAD + PANEL])
def test_a_control_without_an_entry_gets_one(text: str) -> None:
    """At the end of the file, also where the last line isn't finished."""
    calibration = points(0.05, 0.5, 1.5, parameter="amp_env.release_s")
    structure = parse_structure(with_table(text, calibration, source="s"), source="s")
    scale = structure.controls["amp_env.release_s"].scale
    assert scale is not None
    assert scale.value(5.0) == 0.5


def test_times_are_written_as_the_maker_counts_them() -> None:
    """A time constant of 0.1 s is ln 1000 times as long to -60 dB, and comes back the same."""
    entry = '[panel."amp_env.release_s"]\nknob = [0, 10]\nvalues = [0.1, 9]\ntimes = "to-60-db"\n'
    calibration = points(0.05, 0.1, 0.5, parameter="amp_env.release_s")
    text = with_table(HEAD + entry, calibration, source="s.toml")
    assert f"[5, {0.1 * np.log(1000.0):.5g}]" in text
    scale = parse_structure(text, source="s.toml").controls["amp_env.release_s"].scale
    assert scale is not None
    # Five digits are written.
    assert scale.value(5.0) == pytest.approx(0.1, rel=1e-4)


@pytest.mark.parametrize(
    ("calibration", "message"),
    [
        (points(100.0), "two places or more make a table, and 1 was measured"),
        (points(100.0, 100.5), "stays the same within its errors, so nothing is written"),
        (points(0.0, 1.0, parameter="osc2.octave"), "it is a switch; write what was measured"),
        (points(1e5, 1e6), "fewer than two places of the panel lie in the range"),
    ],
)
def test_what_makes_no_table_is_refused_and_the_file_stays(
    calibration: Calibration, message: str, tmp_path: Path
) -> None:
    """Nobody's file is replaced by a wrong one."""
    path = tmp_path / "mine.toml"
    path.write_text(HEAD + PANEL, encoding="utf-8")
    with pytest.raises(StructureError, match=message):
        write_calibration(path, calibration)
    assert path.read_text(encoding="utf-8") == HEAD + PANEL


def test_a_file_is_written_whole(tmp_path: Path) -> None:
    """And can be loaded."""
    path = tmp_path / "mine.toml"
    path.write_text(HEAD + PANEL, encoding="utf-8")
    write_calibration(path, points(60.0, 500.0, 8000.0))
    assert len(load_structure(path).space["filter.cutoff_hz"].choices) == 21
    assert [entry.name for entry in tmp_path.iterdir()] == ["mine.toml"]


@pytest.mark.parametrize(
    ("name", "parameter", "message"),
    [
        ("complete", "filter.cutoff_hz", "complete is no structure file of yours"),
        ("mine.toml", "osc2.octave", "it is a switch"),
        ("mine.toml", "noise.level", "noise.level is not free, so no control sets it"),
        ("missing.toml", "noise.level", "missing.toml doesn't exist"),
    ],
)
def test_what_can_not_take_a_table_is_refused_first(
    name: str, parameter: str, message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before a single recording is read."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mine.toml").write_text(HEAD + PANEL, encoding="utf-8")
    with pytest.raises(StructureError, match=message):
        check_can_hold(name, parameter)
