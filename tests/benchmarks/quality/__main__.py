"""How close matches come, beside general optimisers on the same evaluation function.

Run from the repository's root::

    python -m tests.benchmarks.quality                     # below 40 minutes on two cores
    python -m tests.benchmarks.quality --full              # 5 seeds, all budgets, a night
    python -m tests.benchmarks.quality --notes 3 --seconds 5 --seeds 1 --only cma --only earwright
    python -m tests.benchmarks.quality --notes 0           # only three notes with one patch

12 notes for each optimiser (15 s), earwright alone at 60 s, and three instruments of which one
patch has to play three notes (90 s) and is tried on two more. All runs are judged by measures
that no search sees (`tests.judge`); the tables name medians and quartiles, what is still audible
by published just-noticeable differences, the size, and by how much losses end above the best one
known of each note: of all runs in the record that were scored alike, whoever made them.

Results go to a file of JSON lines (``--record``); what stands there is not run again, so the
command can be stopped at any moment and goes on where it was. After a change of the search, the
runs of earwright are new ones; after a change of voice or losses, all are.
Needs ``pip install cma nevergrad`` besides the test extra; what is missing is said and left out.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matcher.defaults import DEFAULT_STRUCTURE
from tests.benchmarks.quality.notes import INSTRUMENTS, NOTES, BenchInstrument, BenchNote
from tests.benchmarks.quality.optimisers import OPTIMISERS
from tests.benchmarks.quality.runs import OWN, run_instrument, run_note
from tests.benchmarks.quality.tables import (
    audible_table,
    excess_table,
    instrument_table,
    note_table,
)
from tests.benchmarks.run_record import RunRecord, code_digest, evaluation_digest

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["QualityRun", "main", "wanted_runs"]

OWN_LONG_S = 60.0
INSTRUMENT_S = 90.0
NEEDS = {"cma": "cma", "NGOpt (nevergrad)": "nevergrad"}


@dataclass(frozen=True)
class QualityRun:
    """One run: who searches, what for, with which voice, how long, and with which seed."""

    optimiser: str
    what: BenchNote | BenchInstrument
    structure: str
    seconds: float
    seed: int

    @property
    def settings(self) -> dict[str, Any]:
        """What makes it the same run."""
        what = self.what
        is_note = isinstance(what, BenchNote)
        return {
            "optimiser": self.optimiser,
            "note": what.name if isinstance(what, BenchNote) else what.instrument,
            "notes": 1 if is_note else 3,
            "structure": self.structure,
            "seconds": self.seconds,
            "seed": self.seed,
        }

    @property
    def code(self) -> str:
        """What its figures depend on: another optimiser doesn't depend on our search."""
        return code_digest() if self.optimiser == OWN else evaluation_digest()

    def figures(self) -> dict[str, Any]:
        """Run it."""
        if isinstance(self.what, BenchNote):
            return run_note(self.optimiser, self.what, self.structure, self.seconds, self.seed)
        return run_instrument(self.what, self.structure, self.seconds, self.seed)


def wanted_runs(options: argparse.Namespace) -> list[QualityRun]:
    """List all runs in an order that fills the table evenly."""
    names = [OWN, *OPTIMISERS]
    names = [name for name in names if not options.only or name in options.only]
    for name in [n for n in names if n in NEEDS and find_spec(NEEDS[n]) is None]:
        print(f"{name} is left out: pip install {NEEDS[name]} brings it.")
        names.remove(name)
    notes, instruments = NOTES[: options.notes], INSTRUMENTS[: options.instruments]
    seeds = range(1, options.seeds + 1)
    budgets = [options.seconds, *([OWN_LONG_S] if options.full else [])]
    runs = [
        QualityRun(name, note, options.structure, seconds, seed)
        for seed in seeds
        for note in notes
        for seconds in budgets
        for name in names
    ]
    if OWN in names and not options.full and not options.short:
        runs += [QualityRun(OWN, note, options.structure, OWN_LONG_S, 1) for note in notes]
    if OWN in names and not options.short:
        long_s = options.instrument_seconds
        runs += [
            QualityRun(OWN, what, options.structure, long_s, seed)
            for seed in seeds
            for what in instruments
        ]
    return runs


def _parse(arguments: Sequence[str] | None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--seconds", type=float, default=15.0, help="budget (default: 15)")
    parser.add_argument("--seeds", type=int, default=1, help="seeds (default: 1)")
    parser.add_argument("--notes", type=int, default=len(NOTES), help="how many notes")
    parser.add_argument(
        "--instruments", type=int, default=len(INSTRUMENTS), help="how many with one patch"
    )
    parser.add_argument(
        "--instrument-seconds",
        type=float,
        default=INSTRUMENT_S,
        help=f"budget of an instrument (default: {INSTRUMENT_S:g})",
    )
    parser.add_argument("--structure", default=DEFAULT_STRUCTURE, help="the voice of all")
    parser.add_argument("--only", action="append", help="one optimiser; may be repeated")
    parser.add_argument(
        "--short", action="store_true", help="leave out the 60 s runs and the instruments"
    )
    parser.add_argument("--full", action="store_true", help="5 seeds, 15 s and 60 s for all")
    parser.add_argument("--record", type=Path, default=Path("quality.jsonl"))
    options = parser.parse_args(arguments)
    options.seeds = 5 if options.full else options.seeds
    return options


def main(arguments: Sequence[str] | None = None) -> int:
    """Run what is missing, and print the tables."""
    options = _parse(arguments)
    record = RunRecord(options.record)
    runs = wanted_runs(options)
    missing = [run for run in runs if record.find(run.settings, code=run.code) is None]
    left_s = sum(run.seconds for run in missing)
    for run in missing:
        said = f"{run.optimiser}, {run.settings['note']}, seed {run.seed}"
        print(f"{left_s / 60:5.1f} min left: {said}", file=sys.stderr)
        record.add(run.settings, run.figures(), code=run.code)
        left_s -= run.seconds
    rows = [record.find(run.settings, code=run.code) or {} for run in runs]
    notes = [row for row in rows if row["notes"] == 1]
    instruments = [row for row in rows if row["notes"] > 1]
    if notes:
        print(note_table(notes))
        print(excess_table(notes, [row for row in record.rows if row["notes"] == 1]))
        print(audible_table(notes))
    if instruments:
        print(instrument_table(instruments))
    print(
        f"{min(options.notes, len(NOTES))} notes, {len(instruments)} runs of instruments, "
        f"{options.seeds} seeds, {options.structure}, two threads."
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
