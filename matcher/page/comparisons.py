"""Comparisons as the page shows them: curves that grow, and the verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matcher.comparing import load_comparison, run_folder
from matcher.runs.run_folder import load_run

if TYPE_CHECKING:
    from pathlib import Path

    from matcher.comparing import Comparison, Convergence
    from matcher.page.workspace import Workspace
    from matcher.runs.run_folder import RunFolder

__all__ = ["ComparisonShelf"]

COMPARE_FILE = "compare.json"
# More points than a curve has pixels are of no use.
MOST_POINTS = 160


class ComparisonShelf:
    """The comparisons in a workspace.

    Parameters
    ----------
    workspace : Workspace
        Where they are: beside the runs, as the command line puts them.
    """

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace

    def names(self) -> list[str]:
        """List the comparisons, newest first."""
        return self._workspace.names(self._workspace.runs, COMPARE_FILE)

    def path(self, name: str) -> Path:
        """Find the folder of a comparison."""
        return self._workspace.existing(self._workspace.runs, name)

    def describe(self, name: str) -> dict[str, object]:
        """Say what a comparison shows so far.

        Parameters
        ----------
        name : str
            Its name.

        Returns
        -------
        dict
            Curves, figures for each structure, and the verdict once there are runs.
        """
        return describe(load_comparison(self.path(name)), name)

    def best_run(self, name: str, target: str, structure: str) -> RunFolder:
        """Read the best run of a structure.

        Parameters
        ----------
        name : str
            Name of the comparison.
        target, structure : str
            Names within it.

        Returns
        -------
        RunFolder
            The run.

        Raises
        ------
        RunFolderError
            If none is finished.
        """
        return load_run(run_folder(self.path(name), target, structure))


def describe(comparison: Comparison, name: str) -> dict[str, object]:
    """Say what a comparison shows so far; see `ComparisonShelf.describe`.

    Parameters
    ----------
    comparison : Comparison
        The comparison.
    name : str
        Its name.

    Returns
    -------
    dict
        Plain values.
    """
    has_runs = bool(comparison.runs)
    return {
        "name": name,
        "targets": comparison.targets,
        "structures": comparison.structures,
        "settings": dict(comparison.settings),
        "n_finished": len(comparison.runs),
        "n_missing": comparison.n_missing,
        "failed": [vars(each) for each in comparison.failed],
        "curves": [_curve(each) for each in comparison.convergence] if has_runs else [],
        "summaries": [
            {
                "structure": each.structure,
                "n_runs": each.n_runs,
                "measures": {key: vars(value) for key, value in each.measures.items()},
            }
            for each in (comparison.summaries if has_runs else ())
        ],
        "verdict": comparison.verdict if has_runs and not comparison.n_missing else "",
        "notes": comparison.notes if has_runs and not comparison.n_missing else (),
    }


def _curve(curve: Convergence) -> dict[str, object]:
    """Thin a curve out."""
    step = max(1, len(curve.x) // MOST_POINTS)
    total = curve.measures["total"][::step]
    return {
        "structure": curve.structure,
        "axis": curve.axis,
        "x": curve.x[::step].tolist(),
        "low": total[:, 0].tolist(),
        "median": total[:, 1].tolist(),
        "high": total[:, 2].tolist(),
    }
