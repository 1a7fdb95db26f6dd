"""What a comparison shows, as `compare.json` and as tables."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

from matcher.comparing.tables import make_tables
from shared import write_atomic

if TYPE_CHECKING:
    from matcher.comparing.comparison import Comparison
    from matcher.comparing.effects import Effect
    from matcher.comparing.folder import ComparisonFolder, Plan

__all__ = ["comparison_document", "write_figures"]


def write_figures(folder: ComparisonFolder, plan: Plan, comparison: Comparison) -> None:
    """Write figures, verdict and tables of what is finished.

    Parameters
    ----------
    folder : ComparisonFolder
        Where to.
    plan : Plan
        What was to be done.
    comparison : Comparison
        What is finished.

    Raises
    ------
    RunFolderError, FileError
        If a file can't be written.
    """
    tables = make_tables(comparison)
    for name, text in tables.items():
        write_atomic(folder.path / name, text, overwrite=True)
    if "failed.csv" not in tables:
        (folder.path / "failed.csv").unlink(missing_ok=True)
    folder.write_document({**plan.to_dict(), **comparison_document(comparison)})


def comparison_document(comparison: Comparison) -> dict[str, object]:
    """Collect what a comparison shows, for JSON.

    Parameters
    ----------
    comparison : Comparison
        Finished runs.

    Returns
    -------
    dict of str to object
        Plain values; the course of the runs stands in the tables and in ``jobs/``.
    """
    return {
        "verdict": comparison.verdict,
        "notes": list(comparison.notes),
        "n_finished": len(comparison.runs),
        "n_missing": comparison.n_missing,
        "failed": [asdict(failed) for failed in comparison.failed],
        "summaries": [asdict(summary) for summary in comparison.summaries],
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
                "terms": dict(run.final.terms),
                "evaluations": run.n_evaluations,
                "seconds": run.elapsed_s,
                "key": run.key,
            }
            for run in comparison.runs
        ],
    }


def _effect(effect: Effect) -> dict[str, object]:
    """Describe a difference, with what it amounts to."""
    return {
        **asdict(effect),
        "is_clear": effect.is_clear,
        "is_audible": effect.is_audible,
        "is_inaudible": effect.is_inaudible,
    }
