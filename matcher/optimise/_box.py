"""The unit box of the search: folding draws into it, and keeping the distribution near it.

A draw of the normal distribution may lie anywhere. `Box.fold` turns it into a candidate:
dimensions that go round (phases) are wrapped, stepped ones are set to the middle of their cell,
all others are mirrored at both walls. A patch often has its best value at a wall (a part that
does nothing stands there), and mirroring makes such a wall the middle of a symmetric valley.
DEVELOPERS.md has the figures of the other ways that were tried.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from matcher.optimise._cma import NormalDistribution
    from shared.types import FloatArray

# A normal distribution folded at walls (period 2) or wrapped (period 1) is flat to 1.5 % from
# here on: 2 exp(-2 pi^2 s^2 / period^2), the first Fourier term of the folded density.
_WIDEST_MIRRORED = 1.0
_WIDEST_CIRCULAR = 0.5


@dataclass(frozen=True)
class Box:
    """Which dimensions go round, which are stepped, and which are plain.

    Parameters
    ----------
    circular : np.ndarray, shape=(n_dimensions,), dtype=bool
        True where 0 and 1 are the same value.
    cells : np.ndarray, shape=(n_dimensions,), dtype=int
        Number of equal cells, 0 where the dimension is continuous.
    """

    circular: npt.NDArray[np.bool_]
    cells: npt.NDArray[np.int64]

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
        """Turn points anywhere into candidates.

        Parameters
        ----------
        points : np.ndarray, shape=(n_points, n_dimensions)
            Any finite values.

        Returns
        -------
        np.ndarray, shape=(n_points, n_dimensions)
            Candidates in [0, 1]; circular dimensions in [0, 1), stepped ones at cell centres.
        """
        turned = np.mod(points, 2.0)
        folded = np.where(turned > 1.0, 2.0 - turned, turned)
        folded[:, self.circular] = _wrap(points[:, self.circular])
        stepped = self.cells > 0
        n_cells = self.cells[stepped]
        indices = np.clip(np.floor(points[:, stepped] * n_cells), 0, n_cells - 1)
        folded[:, stepped] = (indices + 0.5) / n_cells
        return folded

    def recentre(self, distribution: NormalDistribution) -> None:
        """Bring a mean that has left the box back, without changing what is drawn.

        Wrapping is a shift by whole turns. Mirroring flips the sign of the dimension in the
        covariance and in both paths as well, so that the folded density stays as it was.
        """
        mean = distribution.mean
        mean[self.circular] = _wrap(mean[self.circular])
        mirrored = self.mirrored
        turned = np.mod(mean, 2.0)
        signs = np.where(mirrored & (turned > 1.0), -1.0, 1.0)
        mean[mirrored] = np.where(turned > 1.0, 2.0 - turned, turned)[mirrored]
        self._scale(distribution, signs)

    def limit_width(self, distribution: NormalDistribution) -> None:
        """Shrink dimensions in which the folded density has long been flat.

        Nothing pulls the width of a dimension back that has no effect on the loss; left alone it
        would grow until the arithmetic fails.
        """
        widest = np.where(self.circular, _WIDEST_CIRCULAR, _WIDEST_MIRRORED)
        scales = np.minimum(1.0, widest / distribution.deviations())
        if np.any(scales < 1.0):
            self._scale(distribution, scales)

    @staticmethod
    def _scale(distribution: NormalDistribution, scales: FloatArray) -> None:
        """Scale (or flip) dimensions of the covariance, its factor and the paths.

        The factor stays a lower triangle: flipped rows are flipped again by column.
        """
        distribution.covariance = scales[:, None] * distribution.covariance * scales
        signs = np.sign(scales)
        distribution.factor = scales[:, None] * distribution.factor * signs
        distribution.shape_path = scales * distribution.shape_path
        distribution.step_path = signs * distribution.step_path


def _wrap(values: FloatArray) -> FloatArray:
    """Wrap into [0, 1); the remainder of a tiny negative number rounds to 1 and is 0."""
    turned = np.mod(values, 1.0)
    return np.where(turned >= 1.0, 0.0, turned)
