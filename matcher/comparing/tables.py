"""What a comparison shows, as `compare.json` and as tables for spreadsheets and plots.

Tables are CSV files (RFC 4180, but line feeds). Losses, terms and differences are in audible
steps, times in seconds; a field is empty where nothing is known, and "inf" where a loss was
never reached.
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import asdict
from typing import TYPE_CHECKING

from matcher.comparing.outcome import MEASURES
from matcher.losses import TERMS
from shared import write_atomic

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from matcher.comparing.comparison import Comparison
    from matcher.comparing.effects import Effect
    from matcher.comparing.folder import ComparisonFolder
    from matcher.comparing.planning import Plan

    Rows = Iterator[Sequence[object]]

__all__ = ["make_tables", "write_figures"]


def write_figures(folder: ComparisonFolder, plan: Plan, comparison: Comparison) -> None:
    """Write figures, verdict and tables of what is finished."""
    tables = make_tables(comparison)
    for name, text in tables.items():
        write_atomic(folder.path / name, text, overwrite=True)
    if "failed.csv" not in tables:
        (folder.path / "failed.csv").unlink(missing_ok=True)
    folder.write(plan, _figures(comparison))


def _figures(comparison: Comparison) -> dict[str, object]:
    """Collect what a comparison shows; the course of the runs is in the tables and in jobs."""
    return {
        "verdict": comparison.verdict,
        "notes": comparison.notes,
        "n_finished": len(comparison.runs),
        "n_missing": comparison.n_missing,
        "failed": comparison.failed,
        "summaries": comparison.summaries,
        "reached": [{**asdict(each), "share": each.share} for each in comparison.reached],
        "pairs": [
            {
                "first": pair.first,
                "second": pair.second,
                "effects": {name: _effect(effect) for name, effect in pair.effects.items()},
            }
            for pair in comparison.pairs
        ],
        "runs": [
            {
                "target": run.target,
                "structure": run.structure,
                "seed": run.seed,
                "loss": run.final.total,
                "terms": run.final.terms,
                "evaluations": run.n_evaluations,
                "seconds": run.elapsed_s,
                "key": run.key,
            }
            for run in comparison.runs
        ],
    }


def _effect(effect: Effect) -> dict[str, object]:
    """Describe a difference, with what it amounts to."""
    claims = {name: getattr(effect, name) for name in ("is_clear", "is_audible", "is_inaudible")}
    return {**asdict(effect), **claims}


def make_tables(comparison: Comparison) -> dict[str, str]:
    """Write all tables; content by file name."""
    tables = {}
    for name, (header, rows_of) in _TABLES.items():
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(header.split())
        writer.writerows([_field(value) for value in row] for row in rows_of(comparison))
        tables[name] = text.getvalue()
    if not comparison.failed:
        del tables["failed.csv"]
    return tables


def _field(value: object) -> object:
    """Write a value so that it comes back to the bit; nothing where there is nothing."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    return repr(float(value)) if isinstance(value, float) else value


def _runs(comparison: Comparison) -> Rows:
    """One row for each finished run."""
    for run in comparison.runs:
        losses = [run.measure(name) for name in MEASURES]
        yield (
            *(run.target, run.structure, run.seed),
            *losses,
            *(run.n_evaluations, run.elapsed_s, run.stop_reason),
            *(run.n_threads, run.processor, run.key),
        )


def _evaluations(comparison: Comparison) -> Rows:
    """One row for each improvement, and one for the end of each run."""
    for run in comparison.runs:
        curve, named = run.curve, (run.target, run.structure, run.seed)
        columns = [curve.evaluations, curve.elapsed_s, curve.loss]
        columns += [curve.terms[name] for name in TERMS]
        rows = list(zip(*columns, strict=True))
        for evaluation, *values in rows:
            yield (*named, int(evaluation), *values)
        last = rows[-1]
        if last[0] < run.n_evaluations:
            yield (*named, run.n_evaluations, run.elapsed_s, *last[2:])


def _curves(comparison: Comparison) -> Rows:
    """One row for each point and measure."""
    for curve in comparison.convergence:
        for measure in MEASURES:
            points = zip(curve.x, curve.measures[measure], curve.n_running, strict=True)
            for x, spread, running in points:
                yield (curve.structure, curve.axis, x, measure, *spread, int(running))


def _reached(comparison: Comparison) -> Rows:
    """One row for each structure, threshold and target."""
    for each in comparison.reached:
        yield (
            *(each.structure, "all" if each.target is None else each.target, each.threshold),
            *(each.n_runs, each.n_reached, each.share, each.evaluations, each.seconds),
            *(each.median_evaluations, each.median_seconds),
        )


def _effects(comparison: Comparison) -> Rows:
    """One row for each two structures and measure."""
    for pair in comparison.pairs:
        for measure in MEASURES:
            effect = pair.effects[measure]
            yield (
                *(pair.first, pair.second, measure, effect.n_pairs, effect.first, effect.second),
                *(effect.difference, *(effect.difference_interval or (None, None))),
                *(effect.percent, *(effect.percent_interval or (None, None))),
                *(effect.standardised, effect.share_better, effect.p_value),
                "yes" if effect.is_clear else "no",
            )


def _failed(comparison: Comparison) -> Rows:
    """One row for each run that can't be done."""
    for failed in comparison.failed:
        yield (failed.target, failed.structure, failed.seed, failed.message)


_TERMS = " ".join(TERMS)
_OF_RUN = f"target structure seed loss {_TERMS} evaluations seconds stop_reason"
_OF_REACHED = "structure target threshold runs reached share expected_evaluations expected_seconds"
_OF_EFFECT = (
    "first second measure pairs mean_first mean_second difference difference_low difference_high "
    "percent percent_low percent_high standardised share_better p_value clear"
)
# Headers, and what makes the rows.
_TABLES: dict[str, tuple[str, Callable[[Comparison], Rows]]] = {
    "runs.csv": (f"{_OF_RUN} threads processor key", _runs),
    "evaluations.csv": (
        f"target structure seed evaluation seconds loss {_TERMS}",
        _evaluations,
    ),
    "curves.csv": ("structure axis x measure low median high running", _curves),
    "reached.csv": (f"{_OF_REACHED} median_evaluations median_seconds", _reached),
    "effects.csv": (_OF_EFFECT, _effects),
    "failed.csv": ("target structure seed why", _failed),
}
