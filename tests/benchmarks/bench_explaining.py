"""Two figures that explanations rest on: fits of all controls, and aliasing over the keys.

python -m tests.benchmarks.bench_explaining
"""

from __future__ import annotations

import numpy as np

from matcher.explaining.fitting import Fitter
from matcher.explaining.key_checks import aliasing_db
from shared import CATALOGUE, Note
from tests.explained_notes import BRASS, known_patch

SIGMAS = (0.02, 0.05, 0.1)
KEYS = (36.0, 48.0, 60.0, 72.0, 84.0, 96.0)
DRIVES_DB = (0.0, 12.0, 36.0)


def fits(sigma: float, seed: int = 0) -> tuple[float, float, float]:
    """Move every control of a brass-like patch away; the loss then, and after either fit."""
    rng = np.random.default_rng(seed)
    with known_patch(BRASS) as prepared:
        fitter = Fitter(prepared)
        columns = prepared.moving(prepared.vector)
        moved = prepared.vector[None, :].copy()
        moved[0, columns] += sigma * rng.standard_normal(len(columns))
        fitter.hold(moved)
        start = fitter.best(moved)
        near = fitter.fit(start, columns, is_over=lambda: False)
        far = fitter.fit_from_afar(start, columns, is_over=lambda: False)
        return start.loss, near.loss, far.loss


def main() -> None:
    """Print both tables."""
    print("Every control moved by a share of its range; loss in audible steps, medians of 5")
    for sigma in SIGMAS:
        rows = np.array([fits(sigma, seed) for seed in range(5)])
        start, near, far = np.median(rows, axis=0)
        print(f"  {sigma:4.2f}: {start:5.2f}, by slopes {near:5.2f}, from afar {far:5.2f}")
    print("What folds back at half the rate (44.1 kHz), dB under the whole; open filter, sawtooth")
    for drive_db in DRIVES_DB:
        values = {**CATALOGUE.neutral(), "filter.drive_db": drive_db}
        found = [aliasing_db(values, Note(key, gate_s=0.6), sample_rate_hz=44_100) for key in KEYS]
        listed = ", ".join(
            f"C{int(k) // 12 - 1} {x:.0f}" for k, x in zip(KEYS, found, strict=True)
        )
        print(f"  drive {drive_db:2.0f} dB: {listed}")


if __name__ == "__main__":
    main()
