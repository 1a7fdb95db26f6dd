"""Searching on the steps of a panel against rounding to them afterwards.

Run ``python -m tests.benchmarks.bench_panel_steps``: it prints, for notes of our own voice with
settings between the steps of a coarse panel, the loss of a patch searched on the steps, of one
searched freely, and of that one rounded to the steps. The rounded one gets the best of 48 phases
of oscillator 2, as its old phase belongs to another detune.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.evaluator import Evaluator
from matcher.matching import make_problem, match
from matcher.playing import prepare_note
from tests.own_notes import own_target
from voice.structure import parse_structure

if TYPE_CHECKING:
    from shared.types import FloatArray
    from voice import Structure

# Ends, scale and number of places of each control: a panel of switches.
PANEL = {
    "filter.cutoff_hz": (100, 8000, "log", 6),
    "filter.resonance_ratio": (0, 0.9, "linear", 4),
    "filter_env.depth_octaves": (0, 5, "linear", 5),
    "filter_env.decay_s": (0.02, 2, "log", 5),
    "filter_env.sustain_ratio": (0, 1, "linear", 4),
    "amp_env.attack_s": (0.002, 0.5, "log", 5),
    "osc2.detune_cents": (-20, 20, "linear", 7),
}
N_PHASES = 48


@dataclass(frozen=True)
class StepResult:
    """Losses of one note.

    Attributes
    ----------
    stepped, free, rounded : float
        Loss of the patch searched on the steps, of the one searched freely, and of that one on
        the nearest steps.
    """

    stepped: float
    free: float
    rounded: float


def coarse_panel(*, is_stepped: bool) -> Structure:
    """Return the panel with its steps, or the same controls without them."""
    step = "step = 1\n" if is_stepped else ""
    lines = ['schema_version = 1\nname = "coarse"\nmeaning = "A panel of switches."']
    lines += ['[fixed]\n"osc2.saw_level" = 0.8', "[free]"]
    lines += [f'"{name}" = {{}}' for name in PANEL]
    lines += [
        f'[panel."{name}"]\nknob = [0, {n_places - 1}]\nvalues = [{low}, {high}]\n'
        f'scale = "{scale}"\n{step}'
        for name, (low, high, scale, n_places) in PANEL.items()
    ]
    return parse_structure("\n".join(lines), source="coarse.toml")


def compare_steps(*, n_notes: int, evals: int, seed: int = 1) -> list[StepResult]:
    """Match notes with settings between the steps, in both ways."""
    stepped, free = coarse_panel(is_stepped=True), coarse_panel(is_stepped=False)
    rng = np.random.default_rng(5)
    results = []
    for _ in range(n_notes):
        # Away from the ends, where both ways stand on a step anyway.
        place = 0.1 + 0.8 * rng.random(len(free.space))
        values = free.complete(free.space.to_dict(free.space.decode(place)))
        target = own_target(values=values)
        on_steps = match(target, structure=stepped, evals=evals, seed=seed, progress=False)
        anywhere = match(target, structure=free, evals=evals, seed=seed, progress=False)
        problem = make_problem(target, stepped)
        vector = problem.vector(anywhere.patch.values, anywhere.patch.phases)
        with Evaluator(
            problem,
            [prepare_note(note) for note in target.notes],
            [played.note.note for played in anywhere.notes],
        ) as evaluator:
            losses = evaluator.losses(_phases_of(vector, len(problem.space)))
        results.append(StepResult(on_steps.end.total, anywhere.end.total, float(np.min(losses))))
    return results


def _phases_of(vector: FloatArray, n_parameters: int) -> FloatArray:
    """Return the candidate as it is, and with its phase at places around the cycle."""
    rows = np.tile(vector, (1 + N_PHASES, 1))
    rows[1:, n_parameters:] = (np.arange(N_PHASES) / N_PHASES)[:, None]
    return rows


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--evals", type=int, default=1500)
    parser.add_argument("--notes", type=int, default=12)
    options = parser.parse_args()
    results = compare_steps(n_notes=options.notes, evals=options.evals)
    print(f"{'note':>4}{'on the steps':>14}{'free':>8}{'rounded':>9}")
    for i, result in enumerate(results):
        print(f"{i:4}{result.stepped:14.2f}{result.free:8.2f}{result.rounded:9.2f}")
    ratios = [result.stepped / result.rounded for result in results]
    print(
        f"On the steps over rounded: median {np.median(ratios):.2f}, best {min(ratios):.2f}, "
        f"worst {max(ratios):.2f}; better in {sum(r < 1.0 for r in ratios)} of {len(ratios)}."
    )


if __name__ == "__main__":
    main()
