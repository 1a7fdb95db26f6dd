"""How often the intervals of a comparison hold a known effect, for a few seeds and targets.

Run ``python -m tests.benchmarks.bench_intervals``. Losses are drawn as searches leave them (see
`tests.matcher.comparing.made_runs.simulated_losses`); the effect is a change of -0.5 audible
steps. Beside the intervals that are used stand plain percentile bootstrap intervals.
"""

from __future__ import annotations

import argparse

import numpy as np
from scipy import stats

from matcher.comparing.effects import paired_effect
from tests.matcher.comparing.made_runs import simulated_losses

SETTINGS = ((1, 3), (1, 5), (1, 10), (3, 3), (3, 5), (3, 10))
CHANGE = -0.5


def coverage(n_targets: int, n_seeds: int, *, n_simulated: int) -> tuple[float, float]:
    """Return the shares of the intervals used, and of plain ones, that hold the effect."""
    rng = np.random.default_rng(1)
    used = plain = 0
    for _ in range(n_simulated):
        first, second = simulated_losses(rng, n_targets, n_seeds, CHANGE)
        low, high = paired_effect("total", first, second).difference_interval or (0.0, 0.0)
        used += low <= CHANGE <= high
        plain_low, plain_high = _plain_interval(
            [b - a for a, b in zip(first, second, strict=True)]
        )
        plain += plain_low <= CHANGE <= plain_high
    return used / n_simulated, plain / n_simulated


def _plain_interval(
    differences: list[np.ndarray[tuple[int], np.dtype[np.float64]]],
) -> tuple[float, float]:
    """Return scipy's percentile interval of the mean over targets."""
    found = stats.bootstrap(
        tuple(differences),
        lambda *each, axis: np.mean([x.mean(axis=axis) for x in each], axis=0),
        n_resamples=1_999,
        vectorized=True,
        method="percentile",
        rng=np.random.default_rng(2),
    ).confidence_interval
    return float(found.low), float(found.high)


def main(argv: list[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--simulated", type=int, default=1000, help="comparisons for each row")
    n_simulated = parser.parse_args(argv).simulated
    print("Share of 95 % intervals that hold the effect")
    print(f"{'targets':>8}{'seeds':>7}{'used':>9}{'plain':>9}")
    for n_targets, n_seeds in SETTINGS:
        used, plain = coverage(n_targets, n_seeds, n_simulated=n_simulated)
        print(f"{n_targets:8}{n_seeds:7}{100 * used:7.1f} %{100 * plain:7.1f} %")


if __name__ == "__main__":
    main()
