"""The quality table runs once, tiny, so that it does not rot."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from tests.benchmarks.quality import __main__ as quality
from tests.benchmarks.quality.notes import INSTRUMENTS, BenchInstrument
from tests.benchmarks.quality.tables import audible_table, instrument_table, note_table

if TYPE_CHECKING:
    from pathlib import Path

    import pytest


def figures(log_mel_db: float, *audible: str) -> dict[str, Any]:
    """Return the figures of a judged note."""
    measures = ("onset_log_mel_db", "envelope_db", "centroid_ratio", "pitch_cents")
    heard = [[quantity, 2.0] for quantity in audible]
    return {"log_mel_db": log_mel_db, **dict.fromkeys(measures, 0.1), "audible": heard}


def a_run(optimiser: str, seconds: float, log_mel_db: float, *audible: str) -> dict[str, Any]:
    """Return a row of a run on one note."""
    settings = {"optimiser": optimiser, "note": "horn 55 v100", "seconds": seconds, "seed": 1}
    return {**settings, "loss": 1.0, "evaluations": 9, **figures(log_mel_db, *audible)}


def test_the_table_is_made_and_goes_on_where_it_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each optimiser gives a row; a second call runs nothing again."""
    record = tmp_path / "quality.jsonl"
    names = ("earwright", "random search", "differential evolution (scipy)", "cma")
    options = ["--notes", "1", "--seeds", "1", "--seconds", "0.5", "--short"]
    options += [word for name in names for word in ("--only", name)]
    assert quality.main([*options, "--record", str(record)]) == 0
    printed = capsys.readouterr().out
    assert all(name in printed for name in names)
    assert "Still audible after 0.5 s of earwright, in 1 runs" in printed
    rows = [json.loads(line) for line in record.read_text().splitlines()]
    assert sorted(row["optimiser"] for row in rows) == sorted(names)
    assert all(row["evaluations"] > 0 and row["log_mel_db"] > 0.0 for row in rows)
    assert quality.main([*options, "--record", str(record)]) == 0
    assert capsys.readouterr().out == printed
    assert len(record.read_text().splitlines()) == len(rows)


def test_one_patch_plays_several_notes_and_is_tried_on_another(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fitted and left out stand in the table, each judged note by note."""
    small = BenchInstrument("trumpet", (65.0, 72.0), (69.0,))
    monkeypatch.setattr(quality, "INSTRUMENTS", (small,))
    record = tmp_path / "quality.jsonl"
    options = ["--notes", "0", "--instruments", "1", "--instrument-seconds", "0.5"]
    assert quality.main([*options, "--record", str(record)]) == 0
    (row,) = [json.loads(line) for line in record.read_text().splitlines()]
    assert (len(row["fitted"]), len(row["left_out"])) == (2, 1)
    assert all(note["log_mel_db"] > 0.0 for note in (*row["fitted"], *row["left_out"]))
    printed = capsys.readouterr().out
    assert "4.5 dB is wanted" in printed
    assert "5.5 dB is wanted" in printed


def test_the_default_size_fits_in_40_minutes() -> None:
    """Searching takes at most 36 of them; the rest is for analysis and judging."""
    runs = quality.wanted_runs(quality._parse([]))
    assert sum(run.seconds for run in runs) <= 36 * 60
    assert len({run.settings["note"] for run in runs if run.settings["notes"] == 1}) == 12


def test_our_runs_depend_on_our_search_and_the_others_do_not() -> None:
    """A change of the search leaves the figures of the other optimisers as they are."""
    runs = quality.wanted_runs(quality._parse([]))
    assert len({run.code for run in runs}) == 2
    assert len({run.code for run in runs if run.optimiser == "earwright"}) == 1


def test_left_out_keys_lie_between_fitted_ones() -> None:
    """The patch is asked to hold between the notes that it was given."""
    for what in INSTRUMENTS:
        assert (len(what.fitted), len(what.left_out)) == (3, 2)
        assert all(min(what.fitted) < key < max(what.fitted) for key in what.left_out)
        assert not set(what.fitted) & set(what.left_out)


def test_medians_stand_in_the_tables() -> None:
    """Of three runs the middle one; the number of audible differences beside it."""
    rows = [a_run("cma", 15.0, x, *"ab"[:n]) for n, x in enumerate((3.0, 9.0, 4.0))]
    line = note_table(rows).splitlines()[1]
    assert "4.00 (3.50-6.50)" in line
    assert line.split()[-3] == "1.0"
    row = {"note": "horn", "fitted": [figures(4.0)], "left_out": [figures(5.0, "attack")]}
    fitted, left_out, *_ = instrument_table([row]).splitlines()[1:]
    assert "fitted" in fitted
    assert "4.00" in fitted
    assert "left out" in left_out
    assert "5.00" in left_out


def test_what_is_audible_is_counted_at_the_longest_budget() -> None:
    """Only runs of ours, and only those that had the most time."""
    rows = [
        a_run("cma", 60.0, 4.0, "pitch"),
        a_run("earwright", 15.0, 4.0, "level"),
        a_run("earwright", 60.0, 4.0, "attack", "brightness"),
    ]
    text = audible_table(rows)
    assert "after 60 s of earwright, in 1 runs" in text
    assert "attack (2.0), brightness (2.0)" in text
    assert "pitch" not in text
    assert "level" not in text
    assert audible_table(rows[:1]) == ""
