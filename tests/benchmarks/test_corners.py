"""The corners of the voice, in numbers that the suite can afford."""

from __future__ import annotations

import numpy as np

from shared import CATALOGUE
from tests.benchmarks.bench_corners import corner_values, count_not_finite, measure_levels


def test_corners_are_in_range_and_at_the_ends() -> None:
    """What is drawn is accepted, and most of it stands at an end."""
    values = corner_values(np.random.default_rng(1), 64)
    for row in values:
        for parameter, value in zip(CATALOGUE, row, strict=True):
            parameter.validate(float(value))
    units = CATALOGUE.encode(values)
    assert np.mean((units < 1e-6) | (units > 1.0 - 1e-6)) > 0.6


def test_every_corner_gives_finite_numbers() -> None:
    """No NaN, no infinity, at any rate from 8 to 192 kHz, any key and any gate."""
    n_bad, largest = count_not_finite(320, seed=2)
    assert n_bad == 0
    assert 0.0 < largest < np.inf


def test_every_corner_is_written_within_the_limits() -> None:
    """EBU R 128: at most -1 dBTP; and -16 LUFS, common practice for headphones, no source."""
    levels = measure_levels(24, seed=2)
    # 0.01 dB: rounding to 24 bits moves the peak of soft sounds.
    assert levels.true_peak_dbtp <= -1.0 + 0.01
    assert levels.loudness_lufs <= -16.0 + 0.01
