"""Benchmarks that are stopped go on where they were, and never mix two states of the code."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.benchmarks import run_record
from tests.benchmarks.run_record import RunRecord

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

SETTINGS = {"note": "brass", "seed": 1}


def test_a_run_is_found_again(tmp_path: Path) -> None:
    """In another process too; with other settings it isn't."""
    path = tmp_path / "runs.jsonl"
    row = RunRecord(path).add(SETTINGS, {"loss": 0.1})
    again = RunRecord(path)
    assert again.find(SETTINGS) == row
    assert again.find({**SETTINGS, "seed": 2}) is None


def test_a_line_that_was_cut_off_is_left_out(tmp_path: Path) -> None:
    """A crash while a row is written costs that row, and the next one is whole."""
    path = tmp_path / "runs.jsonl"
    record = RunRecord(path)
    first = record.add(SETTINGS, {"loss": 0.1})
    record.add({**SETTINGS, "seed": 2}, {"loss": 0.2})
    path.write_text(path.read_text()[:-9])
    after = RunRecord(path)
    assert after.rows == [first]
    after.add({**SETTINGS, "seed": 3}, {"loss": 0.3})
    assert [row["seed"] for row in RunRecord(path).rows] == [1, 3]


def test_figures_of_other_code_do_not_count(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What an earlier search has reached says nothing about this one."""
    record = RunRecord(tmp_path / "runs.jsonl")
    record.add(SETTINGS, {"loss": 0.1})
    monkeypatch.setattr(run_record, "code_digest", lambda: "another")
    assert record.find(SETTINGS) is None
