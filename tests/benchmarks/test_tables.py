"""The small tables of the benchmarks run once, tiny, so that none rots."""

from __future__ import annotations

import numpy as np

from tests.benchmarks import (
    bench_calibration,
    bench_explaining,
    bench_panel_steps,
    bench_report,
    bench_scales,
    bench_slack,
)


def test_the_scales_table() -> None:
    """A bigger change of cutoff gives a bigger spectral difference."""
    table = bench_scales.measure(1)
    assert set(table) == set(bench_scales.CHANGES)
    assert all(np.all(np.isfinite(row)) for row in table.values())
    assert table["cutoff +10 %"][0] > table["cutoff +5 %"][0] > 0.0


def test_the_report_table() -> None:
    """A report of a short note is a small part of the 5 MB that it may have."""
    figures = bench_report.measure(bench_report.CASES["one short note"], evals=32)
    assert 0.1 < figures.size_mb < 1.5
    assert figures.processor_s > 0.0
    # Twice the note, target and match, 0.7 s each.
    assert 1.0 < figures.sound_s < 2.0


def test_the_calibration_table() -> None:
    """Three recordings give three places, in the order of the panel."""
    points = bench_calibration.measure("amp_env.release_s").points
    assert [point.panel for point in points] == [0.0, 5.0, 10.0]


def test_the_panel_steps_table() -> None:
    """Each of the three ways gives a loss."""
    (result,) = bench_panel_steps.compare_steps(n_notes=1, evals=48)
    assert min(result.stepped, result.free, result.rounded) > 0.0


def test_the_table_of_slack() -> None:
    """Of a target that can be settled, the controls that are measured hold the truth."""
    row = bench_slack.measure(11, "settled", seconds=4.0)
    assert row.loss < bench_slack.SETTLED_LOSS
    assert len(row.missed) <= 0.2 * row.n_controls


def test_the_table_of_fits() -> None:
    """Slopes bring a fit closer, and single controls moved in between no less."""
    start, near, far = bench_explaining.fits(0.05)
    assert far <= near < 0.5 * start
