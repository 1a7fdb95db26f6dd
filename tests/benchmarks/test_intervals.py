"""The table of intervals runs once, tiny, so that it doesn't rot."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.benchmarks import bench_intervals

if TYPE_CHECKING:
    import pytest


def test_the_table_of_intervals(capsys: pytest.CaptureFixture[str]) -> None:
    """Both kinds of intervals stand side by side, a row for each number of targets and seeds."""
    bench_intervals.main(["--simulated", "4"])
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 2 + len(bench_intervals.SETTINGS)
    assert all(line.count("%") == 2 for line in lines[2:])
