"""How close matches come, beside general optimisers on the same evaluation function.

Run from the repository's root::

    python -m tests.benchmarks.quality                     # about 40 minutes on two cores
    python -m tests.benchmarks.quality --full              # 5 seeds, all budgets, a night
    python -m tests.benchmarks.quality --notes 3 --seconds 5 --seeds 1 --only cma --only earwright

Results go to a file of JSON lines (``--record``); what stands there is not run again, so the
command can be stopped at any moment and goes on where it was. All runs are judged by measures
that no search sees (`tests.judge`); the table names medians and quartiles, and the size.
Needs ``pip install cma nevergrad`` besides the test extra; what is missing is said and left out.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.defaults import DEFAULT_STRUCTURE
from matcher.losses import NoteTarget
from matcher.matching import make_problem, match
from matcher.problem import Evaluator
from tests.benchmarks.quality.notes import NOTES, BenchNote
from tests.benchmarks.quality.optimisers import OPTIMISERS, TimedObjective
from tests.judge import judge
from voice import NoteRenderer, load_structure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.target import TargetNote
    from shared import FloatArray

OWN = "earwright"
OWN_LONG_S = 60.0
NEEDS = {"cma": "cma", "NGOpt (nevergrad)": "nevergrad"}
MEASURES = ("log_mel_db", "onset_log_mel_db", "envelope_db", "centroid_ratio", "pitch_cents")


def run_own(note: BenchNote, seconds: float, seed: int) -> tuple[FloatArray, float, int]:
    """Match with earwright; sound, loss, evaluations."""
    result = match(note.target_set(), seconds=seconds, seed=seed, progress=False)
    return result.notes[0].sound, result.end.total, result.n_evaluations


def run_other(
    name: str, note: BenchNote, seconds: float, seed: int
) -> tuple[FloatArray, float, int]:
    """Match with another optimiser on the same evaluation function; sound, loss, evaluations."""
    target_set = note.target_set()
    target = target_set.notes[0]
    problem = make_problem(target_set, load_structure(DEFAULT_STRUCTURE))
    scored = _scored(target)
    with Evaluator(problem, [scored], [target.note], seed=seed) as evaluator:
        evaluator.losses(np.full((1, problem.n_dimensions), 0.5))  # compiles
        objective = TimedObjective(evaluator, seconds)
        OPTIMISERS[name](objective, seed)
    renderer = NoteRenderer(
        target.note, n_samples=scored.n_render, sample_rate_hz=scored.sample_rate_hz, seed=seed
    )
    vector = objective.best[None, :]
    group = renderer.render(problem.values(vector), problem.phases(vector, 0))
    sound = scored.place(np.ascontiguousarray(group[:, 0]))
    return sound, objective.best_loss, objective.n_evaluations


def _scored(target: TargetNote) -> NoteTarget:
    """Prepare the losses of a note as `match` does."""
    return NoteTarget(
        target.signal,
        sample_rate_hz=target.sample_rate_hz,
        midi_pitch=target.note.midi_pitch,
        gate_s=target.note.gate_s,
    )


def run(name: str, note: BenchNote, seconds: float, seed: int) -> dict[str, Any]:
    """Match and judge once."""
    began = time.monotonic()
    if name == OWN:
        sound, loss, n_evaluations = run_own(note, seconds, seed)
    else:
        sound, loss, n_evaluations = run_other(name, note, seconds, seed)
    target = note.target()
    judged = judge(target.signal, sound, target.sample_rate_hz)
    return {
        "optimiser": name,
        "note": note.name,
        "seconds": seconds,
        "seed": seed,
        "loss": loss,
        "evaluations": n_evaluations,
        "wall_s": time.monotonic() - began,
        **{measure: float(getattr(judged, measure)) for measure in MEASURES},
    }


def key(row: dict[str, Any]) -> tuple[str, str, float, int]:
    """Return what makes a run the same run."""
    return row["optimiser"], row["note"], float(row["seconds"]), int(row["seed"])


def table(rows: Sequence[dict[str, Any]]) -> str:
    """Medians and quartiles of every optimiser and budget."""
    header = (
        f"{'optimiser':32s}{'s':>4s} {'runs':>4s} {'log-mel dB':>17s} {'first 120 ms dB':>17s} "
        f"{'level dB':>8s} {'centroid':>8s} {'cents':>6s} {'loss':>6s} {'tried':>7s}"
    )
    lines = [header]
    groups = sorted({(row["seconds"], row["optimiser"]) for row in rows})
    for seconds, name in groups:
        group = [r for r in rows if r["optimiser"] == name and r["seconds"] == seconds]
        spread = [
            "{1:5.2f} ({0:.2f}-{2:.2f})".format(
                *np.percentile([row[measure] for row in group], (25, 50, 75))
            )
            for measure in MEASURES[:2]
        ]
        middle = {
            measure: float(np.median([abs(row[measure]) for row in group]))
            for measure in (*MEASURES[2:], "loss", "evaluations")
        }
        lines.append(
            f"{name:32s}{seconds:4.0f} {len(group):4d} {spread[0]:>17s} {spread[1]:>17s} "
            f"{middle['envelope_db']:8.2f} {100 * middle['centroid_ratio']:7.1f}% "
            f"{middle['pitch_cents']:6.1f} {middle['loss']:6.2f} {middle['evaluations']:7.0f}"
        )
    return "\n".join(lines)


def wanted_runs(options: argparse.Namespace) -> list[tuple[str, BenchNote, float, int]]:
    """List all runs in an order that fills the table evenly."""
    names = [OWN, *OPTIMISERS]
    names = [name for name in names if not options.only or name in options.only]
    for name in [n for n in names if n in NEEDS and find_spec(NEEDS[n]) is None]:
        print(f"{name} is left out: pip install {NEEDS[name]} brings it.")
        names.remove(name)
    budgets = [options.seconds, *([OWN_LONG_S] if options.full else [])]
    runs = [
        (name, note, seconds, seed)
        for seed in range(1, options.seeds + 1)
        for note in NOTES[: options.notes]
        for seconds in budgets
        for name in names
    ]
    if not options.full and OWN in names and not options.short:
        runs += [(OWN, note, OWN_LONG_S, 1) for note in NOTES[: options.notes]]
    return runs


def main(arguments: Sequence[str] | None = None) -> int:
    """Run what is missing, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--seconds", type=float, default=15.0, help="budget (default: 15)")
    parser.add_argument("--seeds", type=int, default=2, help="seeds (default: 2)")
    parser.add_argument("--notes", type=int, default=len(NOTES), help="how many notes")
    parser.add_argument("--only", action="append", help="one optimiser; may be repeated")
    parser.add_argument("--short", action="store_true", help="leave out the 60 s runs")
    parser.add_argument("--full", action="store_true", help="5 seeds, 15 s and 60 s for all")
    parser.add_argument("--record", type=Path, default=Path("quality.jsonl"))
    options = parser.parse_args(arguments)
    options.seeds = 5 if options.full else options.seeds
    rows = []
    if options.record.exists():
        rows = [json.loads(line) for line in options.record.read_text().splitlines()]
    done = {key(row) for row in rows}
    runs = wanted_runs(options)
    missing = [r for r in runs if (r[0], r[1].name, r[2], r[3]) not in done]
    left_s = sum(r[2] for r in missing)
    for name, note, seconds, seed in missing:
        print(f"{left_s / 60:5.1f} min left: {name}, {note.name}, seed {seed}", file=sys.stderr)
        row = run(name, note, seconds, seed)
        left_s -= seconds
        rows.append(row)
        with options.record.open("a") as file:
            file.write(json.dumps(row) + "\n")
    shown = {(r[0], r[1].name, r[2], r[3]) for r in runs}
    print(table([row for row in rows if key(row) in shown]))
    print(f"{len(NOTES[: options.notes])} notes, {options.seeds} seeds, two threads.")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
