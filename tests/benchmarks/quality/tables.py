"""The quality table: optimisers beside each other, what stays audible, instruments."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np

from tests.benchmarks.quality.runs import MEASURES, OWN

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__ = ["audible_table", "excess_table", "instrument_table", "note_table"]

# Shares of the best loss known of a note.
EXCESSES = (1.0, 0.5, 0.25, 0.1)
WANTED_FITTED_DB, WANTED_LEFT_OUT_DB = 4.5, 5.5


def note_table(rows: Sequence[Mapping[str, Any]]) -> str:
    """Lay out medians and quartiles of every optimiser and budget."""
    head = f"{'optimiser':32s}{'s':>4s} {'runs':>4s} {'log-mel dB':>17s} {'first 120 ms dB':>17s}"
    rest = ("level dB", "centroid", " cents", "audible", "  loss", "  tried")
    lines = [" ".join([head, *rest])]
    for seconds, name in sorted({(row["seconds"], row["optimiser"]) for row in rows}):
        group = [r for r in rows if r["optimiser"] == name and r["seconds"] == seconds]
        spread = [_spread([row[measure] for row in group]) for measure in MEASURES[:2]]
        middle = {
            measure: float(np.median([abs(row[measure]) for row in group]))
            for measure in (*MEASURES[2:], "loss", "evaluations")
        }
        n_audible = float(np.median([len(row["audible"]) for row in group]))
        lines.append(
            f"{name:32s}{seconds:4.0f} {len(group):4d} {spread[0]:>17s} {spread[1]:>17s} "
            f"{middle['envelope_db']:8.2f} {100 * middle['centroid_ratio']:7.1f}% "
            f"{middle['pitch_cents']:6.1f} {n_audible:7.1f} {middle['loss']:6.2f} "
            f"{middle['evaluations']:7.0f}"
        )
    return "\n".join(lines)


def excess_table(rows: Sequence[Mapping[str, Any]], every: Sequence[Mapping[str, Any]]) -> str:
    """Lay out by how much runs end above the best loss that is known of their note.

    Where the voice itself can't come closer, all optimisers are alike; what an optimiser can do
    is in the excess over the best of `every` run by the same losses. Beside it the expected
    running time to an excess: the time of all runs over the number of those that came there [1]_.

    References
    ----------
    .. [1] N. Hansen et al., "COCO: a platform for comparing continuous optimizers in a black-box
       setting", Optimization Methods and Software 36(1), 2021.
    """
    known: dict[tuple[Any, ...], float] = {}
    for row in every:
        if "evaluation" in row:
            key = _known_by(row)
            known[key] = min(row["loss"], known.get(key, np.inf))
    lines = [
        f"{'over the best loss known':32s}{'s':>4s} {'runs':>4s} {'excess %':>20s}"
        + "".join(f"{f's to {100 * excess:.0f} %':>12s}" for excess in EXCESSES)
    ]
    for seconds, name in sorted({(row["seconds"], row["optimiser"]) for row in rows}):
        group = [r for r in rows if r["optimiser"] == name and r["seconds"] == seconds]
        excess = [100.0 * (row["loss"] / known[_known_by(row)] - 1.0) for row in group]
        times = [_expected_s(group, known, 1.0 + wanted) for wanted in EXCESSES]
        lines.append(
            f"{name:32s}{seconds:4.0f} {len(group):4d} {_spread(excess):>20s}"
            + "".join(f"{time:>12s}" for time in times)
        )
    return "\n".join(lines)


def _known_by(row: Mapping[str, Any]) -> tuple[Any, ...]:
    """Say what a run's loss can be compared with."""
    return row["note"], row["structure"], row["evaluation"]


def _expected_s(
    group: Sequence[Mapping[str, Any]], known: Mapping[tuple[Any, ...], float], ratio: float
) -> str:
    """Give the expected time to a ratio of the best loss known; "never" if no run came there."""
    spent_s, n_there = 0.0, 0
    for row in group:
        there = [t for t, loss in row["course"] if loss <= ratio * known[_known_by(row)]]
        spent_s += there[0] if there else row["seconds"]
        n_there += bool(there)
    return f"{spent_s / n_there:.1f}" if n_there else "never"


def audible_table(rows: Sequence[Mapping[str, Any]]) -> str:
    """Say what of earwright's matches is still heard, at its longest budget."""
    own = [row for row in rows if row["optimiser"] == OWN]
    if not own:
        return ""
    longest = max(row["seconds"] for row in own)
    own = [row for row in own if row["seconds"] == longest]
    counts = Counter(quantity for row in own for quantity, _ in row["audible"])
    lines = [f"Still audible after {longest:g} s of {OWN}, in {len(own)} runs:"]
    lines += [f"  {quantity:40s}{n:4d}" for quantity, n in counts.most_common()] or ["  nothing"]
    for row in own:
        heard = ", ".join(f"{quantity} ({steps:.1f})" for quantity, steps in row["audible"])
        lines.append(f"  {row['note']}, seed {row['seed']}: {heard or 'nothing'}")
    lines.append("  (in brackets: just-noticeable differences)")
    return "\n".join(lines)


def instrument_table(rows: Sequence[Mapping[str, Any]]) -> str:
    """Lay out the instruments: one patch for three notes, and for notes left out of the fit."""
    head = f"{'one patch for three notes':27s}{'notes':>10s}{'log-mel dB':>19s}"
    head += f"{'first 120 ms dB':>18s}{'level dB':>9s}{'centroid':>9s}{'audible':>8s}"
    lines = [head]
    names = list(dict.fromkeys(row["note"] for row in rows))
    for name in (*names, "all of them"):
        own = [row for row in rows if name in {row["note"], "all of them"}]
        for kind, wanted_db in (("fitted", WANTED_FITTED_DB), ("left_out", WANTED_LEFT_OUT_DB)):
            notes = [note for row in own for note in row[kind]]
            if not notes:
                continue
            goal = f"  {wanted_db:g} dB is wanted" if name == "all of them" else ""
            lines.append(
                f"{name:27s}{kind.replace('_', ' '):>10s}"
                f"{_spread([note['log_mel_db'] for note in notes]):>19s}"
                f"{_spread([note['onset_log_mel_db'] for note in notes]):>18s}"
                f"{np.median([note['envelope_db'] for note in notes]):9.2f}"
                f"{100 * np.median([note['centroid_ratio'] for note in notes]):8.1f}%"
                f"{np.median([len(note['audible']) for note in notes]):8.1f}{goal}"
            )
    return "\n".join(lines)


def _spread(values: Sequence[float]) -> str:
    """Write a median with its quartiles."""
    return "{1:5.2f} ({0:.2f}-{2:.2f})".format(*np.percentile(values, (25, 50, 75)))
