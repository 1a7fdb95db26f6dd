"""The quality table runs once, tiny, so that it does not rot."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from tests.benchmarks.quality.__main__ import main

if TYPE_CHECKING:
    from pathlib import Path

    import pytest


def test_the_table_is_made_and_goes_on_where_it_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each optimiser gives a row; a second call runs nothing again."""
    record = tmp_path / "quality.jsonl"
    names = ("earwright", "random search", "differential evolution (scipy)", "cma")
    options = ["--notes", "1", "--seeds", "1", "--seconds", "0.5", "--short"]
    options += [word for name in names for word in ("--only", name)]
    assert main([*options, "--record", str(record)]) == 0
    printed = capsys.readouterr().out
    assert all(name in printed for name in names)
    rows = [json.loads(line) for line in record.read_text().splitlines()]
    assert sorted(row["optimiser"] for row in rows) == sorted(names)
    assert all(row["evaluations"] > 0 and row["log_mel_db"] > 0.0 for row in rows)
    assert main([*options, "--record", str(record)]) == 0
    assert capsys.readouterr().out == printed
    assert len(record.read_text().splitlines()) == len(rows)
