"""Tell whether notes with known settings come back from their sound.

Another audio language made them (`tests/known_answers`). Run from the repository's root::

    python -m tests.benchmarks.bench_known_answers                  # half an hour on two cores
    python -m tests.benchmarks.bench_known_answers --note brass --seeds 10 --evals 12000
    python -m tests.benchmarks.bench_known_answers --note strings_family --structure pulse-strings
    python -m tests.benchmarks.bench_known_answers --drawn notes/ --seconds 60

The table says, for each patch and quantity, how many runs came back within the tolerance. Below
it stands what didn't, with the loss of the found patch beside that of the true settings at their
best phases: where the true ones are better, the search has missed them; where they are not, the
loss can't tell. (The voice is never the limit: at the true settings it gives the same waveform,
as `tests/reference/test_voice_known_answers.py` holds it to. A loss of the true settings above
0.1 is the grain of the loss itself.)

A dozen fixed notes get learned by whoever works with them. ``--drawn`` takes a folder of notes
whose settings were drawn by lot (`tests.drawn_notes`), and sums up by family: settings that came
back, notes in which a part was found that isn't there, and quartiles of the loss, at the end and
at the true settings; then, of the slips, how many settings they have more than the truth, and what
is on them that isn't there, or missing.

The budget is in evaluations, so that a busy machine gives the same figures. Every run is kept in
``--record`` and isn't run again by the same code: stop the command at any moment, and go on.
Single notes are found from their sound alone; of a family the keys are given, as file names do.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.defaults import WHOLE_VOICE
from matcher.evaluator import Evaluator
from matcher.matching import match
from matcher.parts import settings_off_rest, used_parameters
from matcher.playing import prepare_note
from matcher.problem import Problem
from matcher.target import Target, target_from_signal
from matcher.voice_map import voice_row
from shared import CATALOGUE, PHASE_NAMES, ParameterSpace
from tests.benchmarks.recovery import QUANTITIES, Check, check_patch
from tests.benchmarks.run_record import RunRecord
from tests.drawn_notes import drawn_note, drawn_note_names
from tests.known_notes import known_instrument, known_instrument_names
from voice import load_structure

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tests.known_notes import KnownNote

__all__ = [
    "best_true_loss", "failures", "family_table", "main", "recovery_table", "target_of", "verdict",
]  # fmt: skip

# About what the default 30 s give for one note on two cores.
EVALS = 20_000
GOAL_SHARE = 0.9
# Around the true phases: the voice draws its controls in straight lines, which may turn an
# oscillator by some thousandths of a cycle.
SPREADS = (0.02, 0.005, 0.002)
N_AROUND = 32
# Places on the timeline that are tried first, 0.25 ms apart.
N_PLACES = 80
# A loss is lower when it is so by more than its own grain.
LOSS_RATIO, LOSS_STEPS = 1.05, 0.02
# A slip is short if it has so many settings more than the truth at most.
MOST_MORE = 2


def target_of(notes: Sequence[KnownNote]) -> Target:
    """Hand over the sound of some notes, and their keys if there are several."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return Target(
            tuple(
                target_from_signal(
                    known.signal,
                    known.sample_rate_hz,
                    name=known.name,
                    midi_pitch=known.note.midi_pitch if len(notes) > 1 else None,
                )
                for known in notes
            )
        )


def best_true_loss(notes: Sequence[KnownNote], *, seed: int = 0) -> float:
    """Return the loss of the true settings, gates and keys, at their best phases."""
    problem = Problem(load_structure(WHOLE_VOICE), ParameterSpace(()), notes[0].values, len(notes))
    phases = [{**dict.fromkeys(PHASE_NAMES, 0.0), **known.phases} for known in notes]
    best = problem.vector({}, phases)
    rng = np.random.default_rng(seed)
    targets = [prepare_note(note) for note in target_of(notes).notes]
    with Evaluator(problem, targets, [known.note for known in notes]) as evaluator:
        places = np.tile(best, (N_PLACES, 1))
        places[:, problem.phase_entries("note.place")] = np.arange(N_PLACES)[:, None] / N_PLACES
        best = places[int(np.argmin(evaluator.losses(places)))]
        for spread in SPREADS:
            around = best + spread * rng.standard_normal((N_AROUND, best.size))
            vectors = np.vstack([best, around % 1.0])
            losses = evaluator.losses(vectors)
            best = vectors[int(np.argmin(losses))]
    return float(losses.min())


def notes_of(row: Mapping[str, Any]) -> tuple[KnownNote, ...]:
    """Read the notes of a run: one that was drawn, or those of a known patch."""
    if row.get("drawn"):
        return (drawn_note(Path(row["drawn"]), row["note"]),)
    return known_instrument(row["note"])


def run(settings: Mapping[str, Any]) -> dict[str, Any]:
    """Match one patch from its notes, and return what came out."""
    notes = notes_of(settings)
    began = time.monotonic()
    result = match(
        target_of(notes),
        structure=settings["structure"],
        evals=settings["evals"],
        seconds=settings.get("seconds"),
        seed=settings["seed"],
        progress=False,
    )
    return {
        "found": {p: float(result.patch.values[p]) for p in CATALOGUE.names},
        "loss": result.end.total,
        "true_loss": best_true_loss(notes),
        "tried": result.n_evaluations,
        "stop_reason": result.stop_reason,
        "wall_s": time.monotonic() - began,
    }


def verdict(row: Mapping[str, Any]) -> str:
    """Say what was the limit of a run that missed something.

    At the true settings the whole voice gives the note's waveform
    (`tests/reference/test_voice_known_answers.py`), so the voice is the limit only where the
    structure lacks a part.
    """
    lacking = _lacking(row["structure"], notes_of(row)[0].values)
    if lacking:
        return f"structure (it has no {', '.join(lacking)})"
    if row["loss"] > LOSS_RATIO * row["true_loss"] + LOSS_STEPS:
        return "search (the true settings are better)"
    return "loss (the true settings are no better)"


def _lacking(structure: str, true: Mapping[str, float]) -> list[str]:
    """List what the true patch uses and the structure holds elsewhere."""
    voice = load_structure(structure)
    held = voice.complete({})
    return [
        name
        for name in CATALOGUE.names
        if name in used_parameters(true)
        and (name not in voice.space or name in voice.links)
        and held[name] != true[name]
    ]


def _checks(row: Mapping[str, Any]) -> dict[str, list[Check]]:
    """Compare what a run has found with the truth."""
    notes = notes_of(row)
    return check_patch(row["found"], notes[0].values, [known.note.midi_pitch for known in notes])


def _is_back(checks: Sequence[Check]) -> bool:
    """Whether every key or oscillator is within the tolerance."""
    return all(check.is_within for check in checks)


def recovery_table(rows: Sequence[Mapping[str, Any]]) -> str:
    """Lay out the runs within tolerance over all runs, by patch and quantity, and the shares."""
    names = list(dict.fromkeys(row["note"] for row in rows))
    cells = {name: [_checks(row) for row in rows if row["note"] == name] for name in names}
    words = [quantity.heading.split(" ") for quantity in QUANTITIES]
    lines = [
        f"{'':26s}" + "".join(f"{(*pair, '')[i]:>9s}" for pair in words) + " " + last
        for i, last in enumerate(("  loss", "  true"))
    ]
    for name in names:
        counts = [_count(cells[name], quantity.name) for quantity in QUANTITIES]
        own = [row for row in rows if row["note"] == name]
        loss, true_loss = (np.median([row[x] for row in own]) for x in ("loss", "true_loss"))
        lines.append(
            f"{name:26s}" + "".join(f"{n}/{m}".rjust(9) if m else f"{'':9s}" for n, m in counts)
            + f" {loss:6.2f} {true_loss:6.2f}"
        )  # fmt: skip
    every = [checks for own in cells.values() for checks in own]
    sums = [_count(every, quantity.name) for quantity in QUANTITIES]
    shares = [f"{100 * n / m:.0f} %" if m else "" for n, m in sums]
    lines.append(f"{'in all':26s}" + "".join(f"{share:>9s}" for share in shares))
    marks = ["" if not m else "reached" if n >= GOAL_SHARE * m else "missed" for n, m in sums]
    lines.append(f"{'9 of 10 runs':26s}" + "".join(f"{mark:>9s}" for mark in marks))
    return "\n".join(line.rstrip() for line in lines)


def _count(runs: Sequence[Mapping[str, Sequence[Check]]], quantity: str) -> tuple[int, int]:
    """Count the runs in which a quantity is back, and those that have it."""
    asked = [checks[quantity] for checks in runs if quantity in checks]
    return sum(map(_is_back, asked)), len(asked)


def family_table(rows: Sequence[Mapping[str, Any]]) -> str:
    """Sum up drawn notes by family: settings that are back, false parts, quartiles of losses."""
    families: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        families.setdefault(notes_of(row)[0].family, []).append(row)
    families = dict(sorted(families.items())) | {"in all": list(rows)}
    lines = [
        f"{'':10s}{'settings back':>18s}{'false parts':>14s}{'loss':>20s}{'true settings':>20s}"
    ]
    for family, own in families.items():
        back, n_settings, n_false = 0, 0, 0
        for row in own:
            by_kind: dict[bool, list[Check]] = {True: [], False: []}
            for check in (check for checks in _checks(row).values() for check in checks):
                by_kind[check.quantity.startswith("no ")].append(check)
            back += sum(check.is_within for check in by_kind[False])
            n_settings += len(by_kind[False])
            n_false += not _is_back(by_kind[True])
        quartiles = (
            " ".join(f"{x:5.2f}" for x in np.percentile([row[loss] for row in own], (25, 50, 75)))
            for loss in ("loss", "true_loss")
        )
        share = f"{back} of {n_settings}, {100 * back / max(n_settings, 1):.0f} %"
        lines.append(
            f"{family:10s}{share:>18s}{f'{n_false} of {len(own)}':>14s}"
            + "".join(f"{three:>20s}" for three in quartiles)
        )
    return "\n".join(lines)


def slip_lines(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Say of drawn notes how long the slips are beside the truth, part by part."""
    more, n_false, n_missing, n_parts = [], 0, 0, 0
    for row in rows:
        space = load_structure(row["structure"]).space
        true, found = (
            set(settings_off_rest(values, space))
            for values in (notes_of(row)[0].values, row["found"])
        )
        more.append(len(found) - len(true))
        parts = [{voice_row(name).title for name in names} for names in (true, found)]
        n_false += bool(parts[1] - parts[0])
        n_missing += len(parts[0] - parts[1])
        n_parts += len(parts[0])
    short = 100 * np.mean(np.array(more) <= MOST_MORE)
    spread = f"median {np.median(more):+.0f}, most {max(more):+d}"
    missing = f"{n_missing} of {n_parts}"
    return [
        f"At most {MOST_MORE} settings more than the truth: {short:.0f} % ({spread}).",
        f"Parts that aren't there: in {n_false} of {len(rows)} notes; missing: {missing}.",
    ]


def failures(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return a line for each run that missed something, with both losses and the limit."""
    lines = []
    for row in rows:
        missed = [
            f"{check.quantity} {check.found} (true {check.true})"
            for checks in _checks(row).values()
            for check in checks
            if not check.is_within
        ]
        if missed:
            lines.append(
                f"{row['note']}, seed {row['seed']}: loss {row['loss']:.2f}, true settings "
                f"{row['true_loss']:.2f}: {verdict(row)}\n"
                f"    {'; '.join(missed)}"
            )
    return lines


def patch_lines(row: Mapping[str, Any]) -> list[str]:
    """Put every setting that was found beside the true one."""
    true = notes_of(row)[0].values
    used = used_parameters(row["found"]) | used_parameters(true)
    return [f"{row['note']}, seed {row['seed']}:"] + [
        f"  {p.name:32s}{p.format(row['found'][p.name]):>13s}, true {p.format(true[p.name])}"
        for p in CATALOGUE
        if p.name in used
    ]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run what is missing, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument(
        "--note", action="append", choices=known_instrument_names(), help="one; may be repeated"
    )
    parser.add_argument("--drawn", type=Path, help="folder of notes that were drawn by lot")
    parser.add_argument("--structure", default=WHOLE_VOICE)
    parser.add_argument("--evals", type=int, default=EVALS, help=f"budget (default: {EVALS})")
    parser.add_argument("--seconds", type=float, help="a time instead")
    parser.add_argument("--seeds", type=int, help="seeds (default: 3, 1 of drawn notes)")
    parser.add_argument("--record", type=Path, default=Path("known_answers.jsonl"))
    parser.add_argument(
        "--patches", action="store_true", help="print all settings, found and true"
    )
    options = parser.parse_args(arguments)
    record, rows = RunRecord(options.record), []
    names = options.note or known_instrument_names()
    given: dict[str, Any] = {"structure": options.structure, "evals": options.evals}
    budget = f"{options.evals} evaluations"
    if options.drawn:
        names = drawn_note_names(options.drawn)
        given["drawn"] = str(options.drawn.resolve())
    if options.seconds:
        given |= {"evals": None, "seconds": options.seconds}
        budget = f"{options.seconds:g} s"
    n_seeds = options.seeds or (1 if options.drawn else 3)
    wanted = [
        {"note": name, **given, "seed": seed} for seed in range(1, n_seeds + 1) for name in names
    ]
    for number, settings in enumerate(wanted):
        row = record.find(settings)
        if row is None:
            say = f"{number + 1} of {len(wanted)}: {settings['note']}, seed {settings['seed']}"
            print(say, file=sys.stderr)
            row = record.add(settings, run(settings))
        rows.append(row)
    rows.sort(key=lambda row: names.index(row["note"]))
    print(family_table(rows) if options.drawn else recovery_table(rows))
    for line in slip_lines(rows) if options.drawn else ():
        print(line)
    print(f"{options.structure}, {budget}, {n_seeds} seeds.")
    print("Within: " + "; ".join(f"{q.name} {q.tolerance}" for q in QUANTITIES) + ".")
    for line in failures(rows):
        print(line)
    for row in rows if options.patches else ():
        print("\n".join(patch_lines(row)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
