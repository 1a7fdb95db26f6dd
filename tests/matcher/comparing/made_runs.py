"""Finished runs with known figures, for tests of what statistics make of them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from matcher.comparing import Comparison, Curve, NoteOutcome, RunOutcome
from matcher.losses import TERMS, LossBreakdown
from shared import Patch

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy as np

    from shared import FloatArray

__all__ = ["comparison_of", "made_run", "simulated_losses"]


def made_run(
    target: str = "horn",
    structure: str = "plain",
    seed: int = 0,
    *,
    loss: float = 2.0,
    terms: Mapping[str, float] | None = None,
    course: Sequence[tuple[int, float, float]] | None = None,
    n_evaluations: int = 1000,
    elapsed_s: float = 10.0,
    versions: Mapping[str, str] | None = None,
    processor: str = "model A",
) -> RunOutcome:
    """Make a run of its figures; `course` has evaluations, seconds and loss of improvements."""
    steps = course or [(1, 0.1, loss)]
    evaluations, seconds, losses = (
        tuple(map(float, column)) for column in zip(*steps, strict=True)
    )
    every = {**dict.fromkeys(TERMS, loss), **(terms or {})}
    final = LossBreakdown(loss, every, {"spectrum_db": loss})
    return RunOutcome(
        key=f"{target}-{structure}-{seed}",
        target=target,
        structure=structure,
        seed=seed,
        final=final,
        notes=(NoteOutcome(target, ("attack: 31 ms in the target, 24 ms here",)),),
        curve=Curve(evaluations, seconds, losses, dict.fromkeys(TERMS, losses)),
        patch=json.loads(Patch(structure).to_json()),
        n_evaluations=n_evaluations,
        elapsed_s=elapsed_s,
        stop_reason="deadline",
        n_threads=1,
        processor=processor,
        versions=dict(versions or {"earwright": "0.1.0"}),
    )


def comparison_of(
    runs: Sequence[RunOutcome],
    *,
    thresholds: Sequence[float] = (4.0, 2.0),
    evals: int | None = None,
    n_missing: int = 0,
) -> Comparison:
    """Bring runs together; targets, structures and seeds in the order in which they come."""
    return Comparison(
        folder=Path("nowhere"),
        settings={
            "seconds": 20.0 if evals is None else None,
            "evals": evals,
            "seeds": sorted({run.seed for run in runs}),
            "thresholds": list(thresholds),
        },
        targets=tuple(dict.fromkeys(run.target for run in runs)),
        structures=tuple(dict.fromkeys(run.structure for run in runs)),
        runs=tuple(runs),
        n_missing=n_missing,
    )


def simulated_losses(
    rng: np.random.Generator, n_targets: int, n_seeds: int, change: float
) -> tuple[list[FloatArray], list[FloatArray]]:
    """Draw losses as searches leave them: skewed, with an offset of each target and seed."""
    first, second = [], []
    for _ in range(n_targets):
        common = rng.uniform(2.0, 6.0) + 0.2 * rng.standard_normal(n_seeds)
        first.append(common + rng.gamma(4.0, 0.15, n_seeds))
        second.append(common + change + rng.gamma(4.0, 0.15, n_seeds))
    return first, second
