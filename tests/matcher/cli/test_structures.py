"""``earwright structures`` through its real front door."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from matcher.cli import main
from voice import list_structures, load_structure

if TYPE_CHECKING:
    from pathlib import Path


def test_the_list_has_all_of_them(capsys: pytest.CaptureFixture[str]) -> None:
    """Each structure with its number of free parameters and its meaning, in 80 columns."""
    assert main(["structures"]) == 0
    out = capsys.readouterr().out
    flat = " ".join(out.split())
    for name in list_structures():
        structure = load_structure(name)
        (line,) = (line for line in out.splitlines() if line.split()[:1] == [name])
        assert line.split()[1] == str(len(structure.space))
    assert "vibrato and the pulse width of both" in flat.replace("  ", " ")
    assert max(map(len, out.splitlines())) <= 79


@pytest.mark.parametrize("name", list_structures())
def test_one_shows_each_of_its_parameters(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Every free and every linked parameter has its row, in 80 columns."""
    assert main(["structures", name]) == 0
    out = capsys.readouterr().out
    structure = load_structure(name)
    rows = {line.split()[0]: line for line in out.splitlines() if line.startswith("  ")}
    for parameter in structure.space:
        assert parameter.format(parameter.high) in rows[parameter.name]
    for linked, source in structure.links.items():
        # A switch sets others to values of their own.
        sign = "set by" if structure.link_values.get(linked) else "="
        assert rows[linked].split()[1:] == [*sign.split(), source]
    assert max(map(len, out.splitlines())) <= 79


def test_what_few_instruments_have_stands_apart(capsys: pytest.CaptureFixture[str]) -> None:
    """The rest comes below a heading of its own; `standard` has nothing below it."""
    main(["structures", "complete"])
    common, rare = capsys.readouterr().out.split("Not on most instruments")
    assert "filter.resonance_ratio" in common
    assert "filter.drive_db" in rare
    main(["structures", "standard"])
    assert "Not on most instruments" not in capsys.readouterr().out


def test_a_range_and_its_neutral_value(capsys: pytest.CaptureFixture[str]) -> None:
    """Ranges are in the units of a panel."""
    main(["structures", "two-oscillator"])
    rows = [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]
    assert "filter_env.decay_s 10 ms to 8.00 s 300 ms" in rows
    assert "osc2.detune_cents -50.0 to +50.0 cents 0.0 cents" in rows


def test_a_file_of_the_user_is_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A path works like a name, and shows what the file fixes away from neutral."""
    path = tmp_path / "mine.toml"
    path.write_text(
        'schema_version = 1\nname = "mine"\nmeaning = "My own."\n'
        '[fixed]\n"filter.slope_db_per_octave" = 12\n'
        '[free]\n"filter.cutoff_hz" = { low = 100, high = 5000 }\n'
    )
    assert main(["structures", str(path)]) == 0
    rows = [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]
    assert "filter.slope_db_per_octave fixed at 12 dB/octave 24 dB/octave" in rows


def test_json_lists_and_shows(capsys: pytest.CaptureFixture[str]) -> None:
    """One object each, with what a program needs to draw a panel."""
    main(["structures", "--json"])
    listed = json.loads(capsys.readouterr().out)["structures"]
    assert [entry["name"] for entry in listed] == list(list_structures())
    main(["structures", "pulse-strings-one-lfo", "--json"])
    shown = json.loads(capsys.readouterr().out)
    structure = load_structure("pulse-strings-one-lfo")
    assert [entry["name"] for entry in shown["free"]] == list(structure.space.names)
    assert shown["links"] == dict(structure.links)
    assert {"unit", "low", "high", "neutral", "meaning", "part"} <= set(shown["free"][0])


def test_a_panel_is_shown_by_how_it_counts(capsys: pytest.CaptureFixture[str]) -> None:
    """Its travel and steps stand where other structures have the neutral value; JSON has all."""
    main(["structures", "wagon-desk"])
    rows = [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]
    assert "filter.cutoff_hz 62.0 Hz to 11.0 kHz 0 to 10 by 0.5" in rows
    assert any(row.startswith("osc2.octave ") and row.endswith(" 3 positions") for row in rows)
    main(["structures", "wagon-desk", "--json"])
    panel = {entry["parameter"]: entry for entry in json.loads(capsys.readouterr().out)["panel"]}
    assert panel["osc2.octave"]["positions"] == ["-1", "0", "+1"]
    assert panel["filter.cutoff_hz"]["points"][0] == [0.0, 62.0]
    assert panel["filter.cutoff_hz"]["controller"] == "CC 74"


def test_a_misspelt_name_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """With names that are near."""
    assert main(["structures", "puls-strings"]) == 2
    assert "Did you mean pulse-strings" in capsys.readouterr().err
