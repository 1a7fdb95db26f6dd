"""Tell what short patches cost: the ladder of recorded notes, and its rungs searched alone.

Run from the repository's root::

    python -m tests.benchmarks.bench_ladder                          # 12 notes, half an hour
    python -m tests.benchmarks.bench_ladder --notes 2 --evals 6000 --confined 2

For each note: settings of the suggested patch and of the longest, log-mel difference of both, and
of the closest rung. With ``--confined N`` also N rungs (the suggested one, then shorter ones),
each beside a search of the same length that has just its settings from the start. Every run is
kept in ``--record`` and isn't run again by the same code.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.defaults import DEFAULT_STRUCTURE
from matcher.matching import match
from matcher.parts import used_parameters
from matcher.scoring import score_patch
from shared import ParameterSpace
from tests.benchmarks.quality.notes import NOTES, BenchNote
from tests.benchmarks.run_record import RunRecord
from tests.judge import log_mel_difference_db
from voice import load_structure

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matcher.result import MatchResult, Rung
    from voice import Structure

__all__ = ["confined_to", "ladder_table", "main", "run"]

EVALS = 20_000
MOST_SETTINGS = 26


def confined_to(structure: Structure, values: Mapping[str, float]) -> Structure:
    """Leave a structure only what does something in a patch; the rest stays as it is there."""
    used = used_parameters(values)
    kept = tuple(p for p in structure.space if p.name in used)
    held = {p.name: values[p.name] for p in structure.space if p.name not in used}
    return replace(
        structure,
        space=ParameterSpace(kept),
        fixed={**structure.fixed, **held},
        mixer=ParameterSpace(()),
        toml="",
    )


def _log_mel_db(result: MatchResult, rung: Rung) -> float:
    """Play a rung, and measure what no search sees."""
    target, seed = result.target, int(str(result.settings["seed"]))
    gates_s = [note.note.note.gate_s for note in result.notes]
    _, (played,) = score_patch(rung.patch, result.structure, target, gates_s=gates_s, seed=seed)
    note = target.notes[0]
    return log_mel_difference_db(note.signal, played.sound, note.sample_rate_hz)


def run(note: BenchNote, structure: str, evals: int, seed: int, n_confined: int) -> dict[str, Any]:
    """Match a note; return its rungs, longest first, and what searches confined to some find."""
    target, voice = note.target_set(), load_structure(structure)
    options: dict[str, Any] = {"evals": evals, "seed": seed, "progress": False}
    result = match(target, structure=voice, **options)
    rungs = [
        {
            "settings": rung.n_settings,
            "loss": rung.loss.total,
            "log_mel_db": _log_mel_db(result, rung),
            "adds": list(rung.adds),
            "is_suggested": rung.is_suggested,
            "alone": None,
        }
        for rung in result.ladder
    ]
    first = next(i for i, rung in enumerate(result.ladder) if rung.is_suggested)
    for i in range(first, min(first + n_confined, len(rungs))):
        alone = confined_to(voice, result.ladder[i].patch.values)
        rungs[i]["alone"] = match(target, structure=alone, **options).end.total
    return {"rungs": rungs, "is_whole": result.is_ladder_whole}


def ladder_table(rows: Sequence[Mapping[str, Any]]) -> str:
    """Lay out the notes, and medians; ratios are those to a search confined to a rung."""
    lines = [f"{'':26s}{'settings':>9s}{'longest':>9s}{'log-mel':>9s}{'closest':>9s}  confined"]
    figures, ratios = [], []
    for row in rows:
        (suggested,) = (rung for rung in row["rungs"] if rung["is_suggested"])
        closest_db = min(rung["log_mel_db"] for rung in row["rungs"])
        figures.append((suggested["settings"], row["rungs"][0]["settings"],
                        suggested["log_mel_db"], closest_db))  # fmt: skip
        own = [(r["settings"], r["loss"] / r["alone"]) for r in row["rungs"] if r["alone"]]
        ratios += [ratio for _, ratio in own]
        said = ", ".join(f"{n}: {ratio:.2f}" for n, ratio in own)
        lines.append(f"{row['note']:26s}{figures[-1][0]:9d}{figures[-1][1]:9d}"
                     f"{figures[-1][2]:9.2f}{figures[-1][3]:9.2f}  {said}")  # fmt: skip
    table = np.array(figures, dtype=np.float64)
    medians = np.median(table, axis=0)
    lines.append(f"{'median':26s}" + "".join(f"{x:9.1f}" for x in medians))
    excess_db = np.median(table[:, 2] - table[:, 3])
    n_long = int(np.count_nonzero(table[:, 0] > MOST_SETTINGS))
    lines.append(f"{n_long} over {MOST_SETTINGS} settings; {excess_db:.2f} dB over the best.")
    if ratios:
        within = np.mean(np.array(ratios) <= 1.05)
        lines.append(f"{100 * within:.0f} % of {len(ratios)} rungs within 5 % of a search for it.")
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run what is missing, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--notes", type=int, default=len(NOTES), help="how many notes")
    parser.add_argument("--structure", default=DEFAULT_STRUCTURE)
    parser.add_argument("--evals", type=int, default=EVALS, help=f"budget (default: {EVALS})")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--confined", type=int, default=0, help="rungs that are searched alone")
    parser.add_argument("--record", type=Path, default=Path("ladder.jsonl"))
    options = parser.parse_args(arguments)
    record, rows = RunRecord(options.record), []
    for note in NOTES[: options.notes]:
        settings = {"note": note.name, "structure": options.structure, "evals": options.evals,
                    "seed": options.seed, "confined": options.confined}  # fmt: skip
        row = record.find(settings)
        if row is None:
            print(note.name, file=sys.stderr)
            found = run(note, options.structure, options.evals, options.seed, options.confined)
            row = record.add(settings, found)
        rows.append(row)
    print(ladder_table(rows))
    print(f"{options.structure}, {options.evals} evaluations, seed {options.seed}.")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
