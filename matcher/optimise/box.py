"""The unit box of a search, and checks of what callers hand over.

A draw of a normal distribution may lie anywhere. `Box.fold` turns it into a candidate: circular
dimensions (phases) are wrapped, stepped ones are set to the middle of their cell, all others are
mirrored at both walls. A patch often has its best value at a wall (a part that does nothing is
there), and mirroring makes such a wall the middle of a symmetric valley. DEVELOPERS.md has the
figures of the other ways that were tried.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from shared.errors import ParameterError

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from shared.types import FloatArray

__all__ = ["Box"]


@dataclass(frozen=True)
class Box:
    """Which dimensions are circular, which are stepped, and which are plain.

    Parameters
    ----------
    circular : np.ndarray, shape=(n_dimensions,), dtype=bool
        True where 0 and 1 are the same value.
    cells : np.ndarray, shape=(n_dimensions,), dtype=int
        Number of equal cells, 0 where the dimension is continuous.
    """

    circular: npt.NDArray[np.bool_]
    cells: npt.NDArray[np.int64]

    @classmethod
    def of(
        cls, n_dimensions: int, circular: npt.ArrayLike | None, cells: npt.ArrayLike | None
    ) -> Box:
        """Make a box of plain dimensions, but for those that are said to be something else."""
        return cls(
            np.zeros(n_dimensions, bool) if circular is None else np.array(circular, bool),
            np.zeros(n_dimensions, np.int64) if cells is None else np.array(cells, np.int64),
        )

    @property
    def n_dimensions(self) -> int:
        """Length of a candidate."""
        return len(self.cells)

    @property
    def mirrored(self) -> npt.NDArray[np.bool_]:
        """True where a draw beyond a wall is mirrored back."""
        continuous: npt.NDArray[np.bool_] = self.cells == 0
        return continuous & ~self.circular

    def is_outside(self, points: FloatArray) -> npt.NDArray[np.bool_]:
        """Tell which rows lie beyond a wall at which `fold` would mirror them."""
        walled = points[:, self.mirrored]
        is_outside: npt.NDArray[np.bool_] = np.any((walled < 0.0) | (walled > 1.0), axis=1)
        return is_outside

    def fold(self, points: FloatArray) -> FloatArray:
        """Turn finite points, shape (n_points, n_dimensions), into candidates in [0, 1].

        Circular dimensions come to [0, 1), stepped ones to the centres of their cells.
        """
        turned = np.mod(points, 2.0)
        folded = np.where(turned > 1.0, 2.0 - turned, turned)
        folded[:, self.circular] = wrap(points[:, self.circular])
        stepped = self.cells > 0
        n_cells = self.cells[stepped]
        indices = np.clip(np.floor(points[:, stepped] * n_cells), 0, n_cells - 1)
        folded[:, stepped] = (indices + 0.5) / n_cells
        return folded


def wrap(values: FloatArray) -> FloatArray:
    """Wrap into [0, 1); the remainder of a tiny negative number rounds to 1 and is 0."""
    turned = np.mod(values, 1.0)
    return np.where(turned >= 1.0, 0.0, turned)


def check_number(name: str, value: int, *, low: int) -> None:
    """Refuse what isn't a whole number from `low` up."""
    if isinstance(value, bool) or not isinstance(value, (int, np.integer)) or value < low:
        raise ParameterError(
            f"{name} is {value!r}; it must be a whole number from {low} up.", name=name
        )


def finite_losses(losses: npt.ArrayLike, n_candidates: int) -> FloatArray:
    """Read one loss for each candidate, with infinity for every value that isn't finite."""
    values = np.array(losses, dtype=np.float64)
    if values.shape != (n_candidates,):
        raise ParameterError(
            f"losses have shape {values.shape}; they must have ({n_candidates},), one for each "
            "candidate.",
            name="losses",
        )
    return np.where(np.isfinite(values), values, math.inf)


def check_told(candidates: npt.ArrayLike, pending: FloatArray) -> int:
    """Count candidates, and refuse others than those that were asked for and come next."""
    rows = np.array(candidates, dtype=np.float64)
    n_told = len(rows)
    if n_told > len(pending) or not np.array_equal(rows, pending[:n_told]):
        raise ParameterError(
            f"tell got {n_told} candidates that aren't the next of the {len(pending)} asked for; "
            "tell all that ask returned, unchanged and in the same order.",
            name="candidates",
        )
    return n_told


def check_version(state: Mapping[str, object], version: int) -> None:
    """Refuse a saved state that another version of the sampler wrote."""
    if state.get("version") != version:
        raise ParameterError(
            f"the saved search has version {state.get('version')!r}; it must be {version}. Start "
            "the search anew, from its best patch.",
            name="version",
        )
