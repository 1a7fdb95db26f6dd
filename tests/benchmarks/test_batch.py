"""The benchmark of a library runs once, tiny, so that it doesn't rot."""

from __future__ import annotations

import pytest

from tests.benchmarks import bench_batch


@pytest.mark.filterwarnings("ignore::shared.errors.EarwrightWarning")
def test_the_table_of_a_library(capsys: pytest.CaptureFixture[str]) -> None:
    """One worker matches one target; the table and what follows from it are printed."""
    bench_batch.main(["--targets", "1", "--seconds", "0.5", "--workers", "1"])
    lines = capsys.readouterr().out.splitlines()
    assert lines[2].split()[0] == "1"
    assert float(lines[2].split()[1]) > 0.5
    assert lines[-1].startswith("500 targets, 3 seeds, 1200 s each, on 10 machines of 8 cores")


def test_what_follows_for_a_library() -> None:
    """1500 runs on 80 cores are 19 rounds; runs of a second wait for this end instead."""
    rounds_s = bench_batch.projected_s(1500, 80, run_s=1200.0, beside_s=5.0, kept_s=0.4)
    assert rounds_s == 19 * 1205.0
    assert bench_batch.projected_s(1500, 80, run_s=1.0, beside_s=5.0, kept_s=0.4) == 600.0
