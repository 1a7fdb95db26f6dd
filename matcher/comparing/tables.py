"""The tables of a comparison as CSV files (RFC 4180, but line feeds), for spreadsheets and plots.

Losses, terms and differences are in audible steps, times in seconds; a field is empty where
nothing can be told, and "inf" where a loss was never reached.
"""

from __future__ import annotations

import csv
import io
import math
from typing import TYPE_CHECKING

from matcher.comparing.outcome import MEASURES
from matcher.losses import TERMS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from matcher.comparing.comparison import Comparison

__all__ = ["make_tables"]


def make_tables(comparison: Comparison) -> dict[str, str]:
    """Write all tables.

    Parameters
    ----------
    comparison : Comparison
        Finished runs.

    Returns
    -------
    dict of str to str
        Content by file name.
    """
    tables = {
        "runs.csv": _table(_RUNS, _runs(comparison)),
        "evaluations.csv": _table(_EVALUATIONS, _evaluations(comparison)),
        "curves.csv": _table(_CURVES, _curves(comparison)),
        "reached.csv": _table(_REACHED, _reached(comparison)),
        "effects.csv": _table(_EFFECTS, _effects(comparison)),
    }
    if comparison.failed:
        rows = ((f.target, f.structure, f.seed, f.message) for f in comparison.failed)
        tables["failed.csv"] = _table(("target", "structure", "seed", "why"), rows)
    return tables


_RUN = ("target", "structure", "seed")
_RUNS = (
    *_RUN,
    "loss",
    *TERMS,
    "evaluations",
    "seconds",
    "stop_reason",
    "threads",
    "processor",
    "key",
)
_EVALUATIONS = (*_RUN, "evaluation", "seconds", "loss", *TERMS)
_CURVES = ("structure", "axis", "x", "measure", "low", "median", "high", "running")
_REACHED = (
    "structure",
    "target",
    "threshold",
    "runs",
    "reached",
    "share",
    "expected_evaluations",
    "expected_seconds",
    "median_evaluations",
    "median_seconds",
)
_EFFECTS = (
    "first",
    "second",
    "measure",
    "pairs",
    "mean_first",
    "mean_second",
    "difference",
    "difference_low",
    "difference_high",
    "percent",
    "percent_low",
    "percent_high",
    "standardised",
    "share_better",
    "p_value",
    "clear",
)


def _runs(comparison: Comparison) -> Iterator[Sequence[object]]:
    """One row for each finished run."""
    for run in comparison.runs:
        losses = [run.measure(name) for name in MEASURES]
        yield (
            *(run.target, run.structure, run.seed),
            *losses,
            *(run.n_evaluations, run.elapsed_s, run.stop_reason),
            *(run.n_threads, run.processor, run.key),
        )


def _evaluations(comparison: Comparison) -> Iterator[Sequence[object]]:
    """One row for each improvement, and one for the end of each run."""
    for run in comparison.runs:
        curve = run.curve
        rows = zip(
            curve.evaluations,
            curve.elapsed_s,
            curve.loss,
            *(curve.terms[name] for name in TERMS),
            strict=True,
        )
        last: tuple[float, ...] = ()
        for evaluation, seconds, *values in rows:
            last = tuple(values)
            yield (run.target, run.structure, run.seed, int(evaluation), seconds, *values)
        if curve.evaluations[-1] < run.n_evaluations:
            yield (
                *(run.target, run.structure, run.seed),
                *(run.n_evaluations, run.elapsed_s, *last),
            )


def _curves(comparison: Comparison) -> Iterator[Sequence[object]]:
    """One row for each point and measure."""
    for curve in comparison.convergence:
        for measure in MEASURES:
            for x, spread, running in zip(
                curve.x, curve.measures[measure], curve.n_running, strict=True
            ):
                yield (curve.structure, curve.axis, x, measure, *spread, int(running))


def _reached(comparison: Comparison) -> Iterator[Sequence[object]]:
    """One row for each structure, threshold and target."""
    for each in comparison.reached:
        yield (
            each.structure,
            "all" if each.target is None else each.target,
            each.threshold,
            each.n_runs,
            each.n_reached,
            each.share,
            each.evaluations,
            each.seconds,
            each.median_evaluations,
            each.median_seconds,
        )


def _effects(comparison: Comparison) -> Iterator[Sequence[object]]:
    """One row for each two structures and measure."""
    for pair in comparison.pairs:
        for measure in MEASURES:
            effect = pair.effects[measure]
            yield (
                pair.first,
                pair.second,
                measure,
                effect.n_pairs,
                effect.first,
                effect.second,
                effect.difference,
                *(effect.difference_interval or (None, None)),
                effect.percent,
                *(effect.percent_interval or (None, None)),
                effect.standardised,
                effect.share_better,
                effect.p_value,
                "yes" if effect.is_clear else "no",
            )


def _table(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Write a table with a header line."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([_field(value) for value in row] for row in rows)
    return text.getvalue()


def _field(value: object) -> object:
    """Write a value so that it comes back to the bit; nothing where there is nothing."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    return repr(float(value)) if isinstance(value, float) else value
