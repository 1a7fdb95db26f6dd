"""How often the slack of a control holds the true setting.

Targets are notes that our own voice plays with settings drawn by lot. A patch for each is found
in one of two ways: "settled" begins a twentieth of every range away from the truth and is fitted,
from up to four such places until it sounds like the target; "matched" is a match from the sound
alone. Then the slack of
every control at work is measured, and the truth looked for in it.

    python -m tests.benchmarks.bench_slack [--targets 12] [--kind settled]
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher import match
from matcher.explaining.clock import Clock
from matcher.explaining.fitting import Fit, Fitter
from matcher.explaining.prepared_run import PreparedRun, prepare_patch
from matcher.explaining.slack import slack_of_patch
from shared import CATALOGUE, Patch
from tests.explained_notes import drawn_values, played_target
from voice import load_structure

if TYPE_CHECKING:
    from matcher.target import Target
    from shared.types import FloatArray

STRUCTURE = "two-oscillator"
SECONDS = 120.0
EVALS = 6000
START_SIGMA = 0.05
MOST_STARTS = 4
# So little is no difference to the ear.
SETTLED_LOSS = 0.3


@dataclass(frozen=True)
class Row:
    """One target."""

    seed: int
    loss: float
    n_controls: int
    missed: tuple[str, ...]
    seconds: float


def settled_patch(target: Target, values: dict[str, float], rng: np.random.Generator) -> Patch:
    """Find a patch from near the truth, from other places near it where that sounds wrong."""
    structure = load_structure(STRUCTURE)
    with prepare_patch(target, structure, Patch(STRUCTURE, values)) as prepared:
        fitter = Fitter(prepared)
        best: Fit | None = None
        for _ in range(MOST_STARTS):
            fit = _fitted(prepared, fitter, _moved(prepared, rng))
            best = fit if best is None or fit.loss < best.loss else best
            if best.loss < SETTLED_LOSS:
                break
        assert best is not None
        found = prepared.values_of(best.vector)
        return Patch(STRUCTURE, found, phases=prepared.problem.note_phases(best.vector))


def _fitted(prepared: PreparedRun, fitter: Fitter, vector: FloatArray) -> Fit:
    """Fit every control that is at work."""
    fit = fitter.best(vector[None, :])
    columns = prepared.moving(vector)
    for _ in range(2):
        fit = fitter.fit_from_afar(fit, columns, is_over=lambda: False)
    return fit


def _moved(prepared: PreparedRun, rng: np.random.Generator) -> FloatArray:
    """Move every control that is at work away from the truth."""
    vector = prepared.vector.copy()
    columns = prepared.moving(vector)
    vector[columns] += START_SIGMA * rng.standard_normal(len(columns))
    n_space = len(prepared.problem.space)
    vector[:n_space] = np.clip(vector[:n_space], 0.0, 1.0)
    return vector


def measure(seed: int, kind: str, *, seconds: float = SECONDS) -> Row:
    """Find a patch for one target and look for the truth in its slack."""
    rng = np.random.default_rng(seed)
    values = drawn_values(rng)
    target = played_target(values, phase=float(rng.random()))
    structure = load_structure(STRUCTURE)
    if kind == "settled":
        patch = settled_patch(target, values, rng)
    else:
        patch = match(target, structure=structure, evals=EVALS, seed=seed, progress=False).patch
    with prepare_patch(target, structure, patch) as prepared:
        clock = Clock(seconds)
        began = time.monotonic()
        with clock:
            clock.begin(1.0)
            slacks = slack_of_patch(prepared, clock).slacks
        truth = {**CATALOGUE.neutral(), **values}
        missed = tuple(
            f"{s.name} {truth[s.name]:.4g} not in {s.low:.4g}..{s.high:.4g}"
            for s in slacks
            if not s.holds(truth[s.name])
        )
        return Row(seed, prepared.loss.total, len(slacks), missed, time.monotonic() - began)


def main() -> None:
    """Print a row for each target and the share over all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--targets", type=int, default=12)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--kind", choices=("settled", "matched"), default="settled")
    arguments = parser.parse_args()
    rows = []
    for seed in range(arguments.first, arguments.first + arguments.targets):
        row = measure(seed, arguments.kind)
        rows.append(row)
        held = row.n_controls - len(row.missed)
        print(
            f"target {row.seed}: loss {row.loss:.2f}, {held} of {row.n_controls} hold the truth, "
            f"{row.seconds:.0f} s {'; '.join(row.missed)}",
            flush=True,
        )
    for name, chosen in (
        ("all", rows),
        ("those that sound like the target", [row for row in rows if row.loss < 0.5]),
    ):
        n_controls = sum(row.n_controls for row in chosen)
        n_held = n_controls - sum(len(row.missed) for row in chosen)
        share = 100.0 * n_held / max(n_controls, 1)
        print(
            f"{arguments.kind}, {name}: {len(chosen)} targets, {n_held} of {n_controls} "
            f"controls, {share:.1f} %"
        )


if __name__ == "__main__":
    main()
