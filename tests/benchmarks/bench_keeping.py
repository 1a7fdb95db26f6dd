"""What refining saves, and what keeping a search costs.

Run from the repository's root::

    python -m tests.benchmarks.bench_keeping              # both, some ten minutes
    python -m tests.benchmarks.bench_keeping refine --seeds 2
    python -m tests.benchmarks.bench_keeping record --seconds 30

- *refine*: notes that a known patch of the voice plays (25 free parameters, one seed of answers
  each). Five of its parameters are moved off; `refine` searches those five. Beside it stands a
  match of all 25 from the recording alone, which has to find phases, too. Counted are the
  evaluations until the loss is half a just-noticeable difference.
- *record*: a match of a note of 1.5 s at 44.1 kHz with every part of the voice, saved as the
  command line does it. Timed are the checkpoints (what the search waits for), and the record,
  columns and study that are written at its end, against the wall time of the search.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import matcher.runs.folder
from matcher import match, match_and_save, refine
from matcher.search.checkpoint import Checkpoint
from matcher.target import Target, target_from_signal
from shared import NotePhases, Patch
from tests.own_notes import own_target
from voice import DEFAULT_PHASES, render
from voice.structure import parse_structure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher import MatchResult
    from shared import FloatArray
    from voice import Structure

# Twenty-five controls of an instrument with two oscillators and two LFOs.
FREE = (
    "osc1.saw_level", "osc1.pulse_level", "osc1.pulse_width_ratio", "osc1.vibrato.rate_hz",
    "osc1.vibrato.depth_cents", "osc1.pwm.rate_hz", "osc1.pwm.depth_ratio", "osc2.saw_level",
    "osc2.detune_cents", "osc2.pitch_env.depth_cents", "osc2.pitch_env.decay_s", "noise.level",
    "highpass.cutoff_hz", "filter.cutoff_hz", "filter.resonance_ratio", "filter.drive_db",
    "filter_env.depth_octaves", "filter_env.attack_s", "filter_env.decay_s",
    "filter_env.sustain_ratio", "filter_env.release_s", "amp_env.attack_s", "amp_env.decay_s",
    "amp_env.sustain_ratio", "amp_env.release_s",
)  # fmt: skip
REFINED = (
    "filter.cutoff_hz",
    "filter.resonance_ratio",
    "filter_env.depth_octaves",
    "filter_env.attack_s",
    "filter_env.decay_s",
)
# A loss counts just-noticeable differences.
GOAL = 0.5


@dataclass(frozen=True)
class Race:
    """A refinement beside a whole match of one note."""

    start: float
    refined: float
    matched: float
    refine_evals: int | None
    match_evals: int | None


def small_instrument() -> Structure:
    """Return the structure with 25 free parameters."""
    free = "".join(f'"{name}" = {{}}\n' for name in FREE)
    head = 'schema_version = 1\nname = "25 controls"\nmeaning = "For the benchmark."\n'
    return parse_structure(f"{head}[free]\n{free}", source="bench_keeping")


def race(seed: int, *, refine_evals: int, match_evals: int) -> Race:
    """Let a refinement and a match run for one known patch."""
    structure = small_instrument()
    rng = np.random.default_rng(seed)
    known = _brass(rng)
    target = own_target(values=known)
    # A patch of a run has the phases of its notes; here they are those that the voice starts with.
    phases = (NotePhases(DEFAULT_PHASES),)
    patch = Patch(structure.name, structure.complete(known), phases=phases)
    off = patch.replace(values={name: _moved(structure, known, name, rng) for name in REFINED})
    options = {"structure": structure, "seed": seed, "progress": False}
    refined = refine(off, target, only=REFINED, evals=refine_evals, **options)  # type: ignore[arg-type]
    whole = match(target, evals=match_evals, **options)  # type: ignore[arg-type]
    return Race(
        refined.start.total,
        refined.end.total,
        float(whole.record.losses.min()),
        evaluations_to(refined.record.losses, GOAL),
        evaluations_to(whole.record.losses, GOAL),
    )


def evaluations_to(losses: FloatArray, goal: float) -> int | None:
    """Count evaluations until a loss is reached; None if it isn't."""
    reached = np.flatnonzero(losses <= goal)
    return int(reached[0]) + 1 if len(reached) else None


def record_cost(seconds: float, folder: Path) -> dict[str, float]:
    """Match and save, and time what keeping takes: parts of the wall time of the search."""
    spent = {"checkpoints": 0.0, "record": 0.0}
    save, write = Checkpoint.save, matcher.runs.folder.write_record

    def timed_save(*args: object, **options: object) -> None:
        began = time.perf_counter()
        save(*args, **options)  # type: ignore[arg-type]
        spent["checkpoints"] += time.perf_counter() - began

    def timed_write(*args: object, **options: object) -> None:
        began = time.perf_counter()
        write(*args, **options)  # type: ignore[arg-type]
        spent["record"] += time.perf_counter() - began

    import optuna  # noqa: F401, PLC0415  its import is no part of keeping

    Checkpoint.save = timed_save  # type: ignore[method-assign, assignment]
    matcher.runs.folder.write_record = timed_write  # type: ignore[assignment]
    try:
        result, _ = match_and_save(_long_note(), folder / "run", seconds=seconds, progress=False)
    finally:
        Checkpoint.save = save  # type: ignore[method-assign]
        matcher.runs.folder.write_record = write
    return {
        "evaluations": float(result.n_evaluations),
        "elapsed_s": result.elapsed_s,
        "checkpoints": spent["checkpoints"] / result.elapsed_s,
        "record": spent["record"] / result.elapsed_s,
        "search": _own_share(result),
    }


def main(argv: Sequence[str] | None = None) -> None:
    """Print the tables that are asked for."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("sections", nargs="*", help="refine, record")
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--refine-evals", type=int, default=1600)
    parser.add_argument("--match-evals", type=int, default=8000)
    options = parser.parse_args(argv)
    sections = options.sections or ["refine", "record"]
    if "refine" in sections:
        print_races(
            [
                race(seed, refine_evals=options.refine_evals, match_evals=options.match_evals)
                for seed in range(options.seeds)
            ]
        )
    if "record" in sections:
        with tempfile.TemporaryDirectory() as folder:
            print_cost(record_cost(options.seconds, Path(folder)))


def print_races(races: Sequence[Race]) -> None:
    """Print evaluations to the goal, note by note."""
    print(f"loss at the start, refined (5 of 25), matched (25); evaluations to a loss of {GOAL}")
    print(f"{'start':>8}{'refined':>9}{'matched':>9}{'refine':>9}{'match':>9}")
    for one in races:
        counts = ["never" if n is None else str(n) for n in (one.refine_evals, one.match_evals)]
        print(f"{one.start:8.2f}{one.refined:9.2f}{one.matched:9.2f}{counts[0]:>9}{counts[1]:>9}")
    both = [(r.refine_evals, r.match_evals) for r in races]
    reached = [n for n, _ in both if n is not None]
    if reached:
        print(f"median of refine: {statistics.median(reached):.0f} evaluations")
    sooner = sum(a is not None and (b is None or a < b) for a, b in both)
    print(f"refine is there first in {sooner} of {len(both)}")


def print_cost(cost: dict[str, float]) -> None:
    """Print what keeping takes."""
    print(f"{cost['evaluations']:.0f} evaluations in {cost['elapsed_s']:.1f} s")
    for name, meaning in (
        ("checkpoints", "what the search waits for while it is saved"),
        ("record", "record, columns and study, written at the end"),
        ("search", "all of the search besides rendering and scoring"),
    ):
        print(f"  {name:12}{100.0 * cost[name]:6.2f} % of the wall time   {meaning}")


def _brass(rng: np.random.Generator) -> dict[str, float]:
    """Draw a brass-like patch."""
    return {
        "osc1.saw_level": 1.0,
        "osc2.saw_level": 0.8,
        "osc2.detune_cents": float(rng.uniform(4.0, 12.0)),
        "filter.cutoff_hz": float(rng.uniform(250.0, 700.0)),
        "filter.resonance_ratio": float(rng.uniform(0.1, 0.4)),
        "filter_env.depth_octaves": float(rng.uniform(2.0, 4.0)),
        "filter_env.attack_s": float(rng.uniform(0.01, 0.05)),
        "filter_env.decay_s": float(rng.uniform(0.06, 0.2)),
        "filter_env.sustain_ratio": 0.5,
        "amp_env.attack_s": 0.015,
        "amp_env.decay_s": 0.2,
        "amp_env.sustain_ratio": 0.7,
        "amp_env.release_s": 0.06,
    }


def _moved(
    structure: Structure, known: dict[str, float], name: str, rng: np.random.Generator
) -> float:
    """Move a value by a fifth of its range, up or down, as far as there is room."""
    parameter = structure.space[name]
    place = parameter.encode(known[name]) + 0.2 * float(rng.choice([-1.0, 1.0]))
    return parameter.decode(float(np.clip(place, 0.0, 1.0)))


def _long_note() -> Target:
    """Return a note of 1.5 s at 44.1 kHz."""
    sound = render(
        _brass(np.random.default_rng(1)), midi_pitch=60.0, gate_s=1.2, duration_s=1.5,
        sample_rate_hz=44_100,
    )  # fmt: skip
    return Target((target_from_signal(sound, 44_100, name="brass_C4", midi_pitch=60.0),))


def _own_share(result: MatchResult) -> float:
    """Share of the wall time that isn't rendering and scoring."""
    return 1.0 - result.busy_s / result.elapsed_s


if __name__ == "__main__":
    main()
