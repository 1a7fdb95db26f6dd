"""Tell whether patches of our own voice come back from their sound.

Run from the repository's root::

    python -m tests.benchmarks.bench_own_voice                       # some minutes on two cores
    python -m tests.benchmarks.bench_own_voice --sampler random      # or another one, to compare

Ten patches are drawn evenly from the 22 parameters of ``own_voice.toml``, and each is searched
with a few seeds. Two figures: the best loss over that in the middle of the space, and the share
of the audible parameters that are found within a tenth of their range. A parameter is audible in
a patch if a tenth of its range makes one just-noticeable difference in some term of the loss;
beside that stands the share of all that do so anywhere in their range. Levels count against each
other, as absolute level is never searched.

The budget is in evaluations, so that a busy machine gives the same figures. Every run is kept in
``--record`` and isn't run again by the same code: stop the command at any moment, and go on.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from matcher.evaluator import Evaluator
from matcher.losses import breakdown, weights_for
from matcher.matching import make_problem, match
from matcher.optimise import DEFAULT_SAMPLER, SAMPLER_NAMES
from matcher.playing import prepare_note
from matcher.target import Target, target_from_signal
from shared import PHASE_NAMES, Note
from tests.benchmarks.run_record import RunRecord
from voice import load_structure, render_batch

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matcher.problem import Problem
    from shared import FloatArray

Mask: TypeAlias = "np.ndarray[tuple[int], np.dtype[np.bool_]]"

__all__ = ["OwnPatch", "draw_patch", "main", "own_voice_table", "units_of"]

STRUCTURE = load_structure(Path(__file__).with_name("own_voice.toml"))
NOTE = Note(57.0, velocity=100, gate_s=0.8)
DURATION_S = 1.4
RATE_HZ = 44_100
LEVELS = ("osc1.saw_level", "osc1.pulse_level", "osc2.saw_level")
EVALS = 4_000
# How near a parameter has to come, as a share of its range.
NEAR = 0.1
MOVES = (NEAR, -NEAR, 1.0, -1.0)
GOAL_RATIO, GOAL_SHARE = 0.12, 0.75


@dataclass(frozen=True, eq=False)
class OwnPatch:
    """A patch that is to be found again.

    Attributes
    ----------
    target : Target
        Its sound; pitch and gate are given.
    problem : Problem
        What is searched.
    units : np.ndarray, shape=(22,)
        The parameters, as places in their ranges.
    vector : np.ndarray, shape=(n_dimensions,)
        Parameters and phases, as the search would have to find them.
    middle_loss, true_loss : float
        Loss of the middle of the space, and of the patch itself.
    is_audible, does_something : np.ndarray of bool, shape=(22,)
        Which parameters are heard when they move by a tenth of their range, and which when they
        move to either end of it.
    """

    target: Target
    problem: Problem
    units: FloatArray
    vector: FloatArray
    middle_loss: float
    true_loss: float
    is_audible: Mask
    does_something: Mask


def units_of(values: Mapping[str, float]) -> FloatArray:
    """Return the places of parameters in their ranges, the loudest oscillator at full level."""
    loudest = max(values[name] for name in LEVELS) or 1.0
    scaled = {**values, **{name: values[name] / loudest for name in LEVELS}}
    return STRUCTURE.space.encode(STRUCTURE.space.clip(scaled))


@cache
def draw_patch(number: int) -> OwnPatch:
    """Draw a patch, play it, and find out which of its parameters are audible."""
    rng = np.random.default_rng([22, number])
    drawn = STRUCTURE.space.decode(rng.random(len(STRUCTURE.space)))
    units = units_of(STRUCTURE.space.to_dict(drawn))
    values = STRUCTURE.complete(STRUCTURE.space.to_dict(STRUCTURE.space.decode(units)))
    phases = dict(zip(PHASE_NAMES, rng.random(len(PHASE_NAMES)).tolist(), strict=True))
    signal = render_batch(
        list(values.values()),
        NOTE,
        n_samples=round(DURATION_S * RATE_HZ),
        sample_rate_hz=RATE_HZ,
        phases=list(phases.values()),
    )[0].astype(np.float64)
    # Sounds of all levels are one sound to the search; this one could be played.
    signal *= 0.25 / np.abs(signal).max()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        note = target_from_signal(
            signal,
            RATE_HZ,
            name=f"patch{number}",
            midi_pitch=NOTE.midi_pitch,
            velocity=NOTE.velocity,
            gate_s=NOTE.gate_s,
        )
    target = Target((note,))
    problem = make_problem(target, STRUCTURE)
    vector = problem.vector(values, [phases])
    return OwnPatch(target, problem, units, vector, *_measure(target, problem, vector))


def _measure(
    target: Target, problem: Problem, vector: FloatArray
) -> tuple[float, float, Mask, Mask]:
    """Return the losses of the middle and of the patch, and which parameters are heard."""
    n = len(problem.space)
    rows = np.arange(n)
    moved = np.repeat(vector[None, None, :], len(MOVES), axis=0).repeat(n, axis=1)
    for trial, move in zip(moved, MOVES, strict=True):
        trial[rows, rows] = np.clip(vector[:n] + move, 0.0, 1.0)
    middle = np.full(vector.size, 0.5)
    every = np.vstack([middle, vector, moved.reshape(-1, vector.size)])
    notes = [note.note for note in target.notes]
    with Evaluator(problem, [prepare_note(note) for note in target.notes], notes) as evaluator:
        scores = evaluator.scores(every)[0]
    losses = [breakdown(score, weights_for(None)) for score in scores]
    terms = np.array([list(loss.terms.values()) for loss in losses])
    steps = (terms[2:] - terms[1]).max(axis=1).reshape(len(MOVES), n)
    near, far = steps[:2].max(axis=0) >= 1.0, steps.max(axis=0) >= 1.0
    return losses[0].total, losses[1].total, near, far


def run(number: int, sampler: str, evals: int, seed: int) -> dict[str, Any]:
    """Search for one patch, and return what came out."""
    patch = draw_patch(number)
    began = time.monotonic()
    result = match(
        patch.target,
        structure=STRUCTURE,
        evals=evals,
        seed=seed,
        sampler=sampler,
        progress=False,
    )
    return {
        "found": {name: float(result.patch.values[name]) for name in STRUCTURE.space.names},
        "loss": result.end.total,
        "start_loss": result.start.total,
        "middle_loss": patch.middle_loss,
        "true_loss": patch.true_loss,
        "wall_s": time.monotonic() - began,
    }


def _is_near(row: Mapping[str, Any]) -> Mask:
    """Mark the parameters that were found within a tenth of their range."""
    gap = np.abs(units_of(row["found"]) - draw_patch(row["patch"]).units)
    return np.asarray(gap <= NEAR + 1e-9)


def own_voice_table(rows: Sequence[Mapping[str, Any]]) -> str:
    """Lay out both figures, by patch and in all, and how often each parameter was found."""
    lines = [f"{'patch':>6s}{'best/middle':>13s}{'best/first':>12s}{'best':>7s}{'true':>7s}  near"]
    for number in dict.fromkeys(row["patch"] for row in rows):
        own = [row for row in rows if row["patch"] == number]
        ratio, first, loss, true = (np.median(x) for x in zip(*map(_figures, own), strict=True))
        near = np.array([_is_near(row) for row in own])
        lines.append(
            f"{number:6d}{ratio:13.3f}{first:12.3f}{loss:7.2f}{true:7.2f}"
            f"  {_share(near, _masks(own)[0])}"
        )
    ratios = np.array([_figures(row)[:2] for row in rows])
    low, middle, high = np.percentile(ratios[:, 0], (25, 50, 75))
    near = np.array([_is_near(row) for row in rows])
    audible, working = _masks(rows)
    spread = f"{middle:.3f} ({low:.3f} to {high:.3f}); {GOAL_RATIO} or less is wanted"
    lines.append(f"best loss over that of the middle of the space: {spread}")
    lines.append(f"best loss over that of the first candidate: {np.median(ratios[:, 1]):.3f}")
    share = f"{_share(near, audible)}; {100 * GOAL_SHARE:.0f} % or more is wanted"
    lines.append(f"audible parameters within {NEAR:g} of their range: {share}")
    lines.append(f"those that are heard anywhere in their range: {_share(near, working)}")
    columns = zip(
        STRUCTURE.space.names,
        (near & audible).sum(axis=0),
        audible.sum(axis=0),
        (near & working).sum(axis=0),
        working.sum(axis=0),
        strict=True,
    )
    lines += [f"  {name:28s}{n:4d} of {m:3d}{i:8d} of {k:3d}" for name, n, m, i, k in columns]
    return "\n".join(lines)


def _share(near: Mask, counted: Mask) -> str:
    """Write how many of those that count are near."""
    n, m = int(np.sum(near & counted)), int(np.sum(counted))
    return f"{100 * n / m:.0f} % ({n} of {m})" if m else "none is"


def _masks(rows: Sequence[Mapping[str, Any]]) -> tuple[Mask, Mask]:
    """Return for each run which parameters are audible, and which do something at all."""
    patches = [draw_patch(row["patch"]) for row in rows]
    return (
        np.array([patch.is_audible for patch in patches]),
        np.array([patch.does_something for patch in patches]),
    )


def _figures(row: Mapping[str, Any]) -> tuple[float, float, float, float]:
    """Best loss over middle, over first, the best loss and the true one."""
    loss = row["loss"]
    return loss / row["middle_loss"], loss / row["start_loss"], loss, row["true_loss"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run what is missing, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--patches", type=int, default=10, help="how many (default: 10)")
    parser.add_argument("--seeds", type=int, default=3, help="seeds (default: 3)")
    parser.add_argument("--evals", type=int, default=EVALS, help=f"budget (default: {EVALS})")
    parser.add_argument("--sampler", default=DEFAULT_SAMPLER, choices=SAMPLER_NAMES)
    parser.add_argument("--record", type=Path, default=Path("own_voice.jsonl"))
    options = parser.parse_args(arguments)
    record, rows = RunRecord(options.record), []
    for seed in range(1, options.seeds + 1):
        for number in range(options.patches):
            settings = {
                "patch": number,
                "sampler": options.sampler,
                "evals": options.evals,
                "seed": seed,
            }
            row = record.find(settings)
            if row is None:
                print(f"patch {number}, seed {seed}", file=sys.stderr)
                row = record.add(settings, run(number, options.sampler, options.evals, seed))
            rows.append(row)
    print(own_voice_table(sorted(rows, key=lambda row: row["patch"])))
    print(
        f"{options.sampler}, {len(STRUCTURE.space)} parameters, {options.evals} evaluations, "
        f"{options.patches} patches, {options.seeds} seeds."
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
