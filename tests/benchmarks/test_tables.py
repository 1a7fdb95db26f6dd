"""The small tables of the benchmarks run once, tiny, so that none rots."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tests.benchmarks import bench_known_answers, bench_scales

if TYPE_CHECKING:
    import pytest


def test_the_scales_table() -> None:
    """A bigger change of cutoff gives a bigger spectral difference."""
    table = bench_scales.measure(1)
    assert set(table) == set(bench_scales.CHANGES)
    assert all(np.all(np.isfinite(row)) for row in table.values())
    assert table["cutoff +10 %"][0] > table["cutoff +5 %"][0] > 0.0


def test_the_known_answers_report(capsys: pytest.CaptureFixture[str]) -> None:
    """Found and true values stand side by side."""
    bench_known_answers.main(["--note", "brass", "--evals", "32", "--seeds", "1"])
    assert "highest cutoff" in capsys.readouterr().out
