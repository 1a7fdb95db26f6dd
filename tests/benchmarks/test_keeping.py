"""The benchmark of refining and keeping runs, on sizes that show its form and no figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tests.benchmarks import bench_keeping

if TYPE_CHECKING:
    from pathlib import Path

    import pytest


def test_the_race_counts_evaluations() -> None:
    """The instrument has 25 controls, five are refined, and the goal is counted to."""
    assert len(bench_keeping.small_instrument().space) == 25
    race = bench_keeping.race(0, refine_evals=320, match_evals=320)
    assert race.refined <= race.start
    # With so few evaluations five parameters get further than 25 from nothing.
    assert race.refined < race.matched
    assert bench_keeping.evaluations_to(np.array([3.0, 2.0, 1.0]), 2.0) == 2
    assert bench_keeping.evaluations_to(np.array([3.0]), 2.0) is None


def test_the_cost_of_a_record_is_printed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Checkpoints and record take some of the time, and a part of it only."""
    cost = bench_keeping.record_cost(1.0, tmp_path)
    assert 0.0 < cost["checkpoints"] < 1.0
    assert cost["record"] > 0.0
    bench_keeping.print_cost(cost)
    assert "record, columns and study" in capsys.readouterr().out
