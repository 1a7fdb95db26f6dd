"""The way between physical values and the unit range [0, 1], for many parameters at once.

`shared.parameters` checks the arguments and builds the messages; here is only the arithmetic,
over arrays of shape (n_candidates, n_parameters). Columns of the same curve are treated together,
as a search calls this for every batch.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    from shared.types import FloatArray

__all__ = ["GRID_SLACK", "UnitRange", "curve_name", "grid_limits"]

# By what share of a step the last one may lie beyond the range: 0.95 - 0.5 in steps of 0.05 must
# count 9 and not 8.
GRID_SLACK = 1e-6
# Decimals kept on the grid of a stepped parameter: neutral + 3 * 0.1 is 0.30000000000000004, and
# the user typed 0.3. Ten are far finer than any panel and far coarser than the rounding error.
_GRID_DECIMALS = 10
# Rounding error of a linear curve near its neutral value, as a share of its largest value: three
# operations, half a unit in the last place each, with a margin.
_SNAP_LINEAR = 16 * float(np.finfo(np.float64).eps)
# The same for a logarithmic curve, as a share of the neutral value: log(high/low), at most 9 in
# the catalogue, multiplies the error of the exponent.
_SNAP_LOG = 64 * float(np.finfo(np.float64).eps)


# Of `shared.parameters.Parameter`, which is built on this module.
Columns = Sequence[Any]


class UnitRange:
    """Encode and decode the columns of a space."""

    def __init__(self, parameters: Columns) -> None:
        self._low = _column(parameters, "low")
        self._high = _column(parameters, "high")
        self._curve_low = np.array([p.curve_range[0] for p in parameters], dtype=np.float64)
        self._curve_high = np.array([p.curve_range[1] for p in parameters], dtype=np.float64)
        # A single choice has a range of no width; any width will do, as its cell decides.
        self._curve_high[self._curve_high == self._curve_low] += 1.0
        self._neutral = _column(parameters, "neutral")
        self._curves = _columns_by_curve(parameters)
        self._choices = [(i, np.array(p.choices)) for i, p in enumerate(parameters) if p.choices]
        stepped = [(i, p.step) for i, p in enumerate(parameters) if p.step is not None]
        self._stepped = np.array([i for i, _ in stepped], dtype=np.intp)
        self._step = np.array([step for _, step in stepped], dtype=np.float64)
        self._snap = self._snap_tolerance()
        self._unit_low = self._on_curve(self._low[np.newaxis])[0]
        self._unit_width = self._on_curve(self._high[np.newaxis])[0] - self._unit_low
        self._unit_width[self._unit_width == 0.0] = 1.0

    def encode(self, values: FloatArray) -> FloatArray:
        """Map physical values within their ranges, (m, n), to the unit range."""
        curve = self._on_curve(self.nearest(values))
        unit = (curve - self._unit_low) / self._unit_width
        for column, choices in self._choices:
            unit[:, column] = (self._nearest_choice(values, column, choices) + 0.5) / len(choices)
        return np.asarray(np.clip(unit, 0.0, 1.0), dtype=np.float64)

    def decode(self, unit: FloatArray) -> FloatArray:
        """Map the unit range, (m, n), to physical values; steps and choices are exact."""
        curve = self._unit_low + unit * self._unit_width
        values = self._on_curve(curve, back=True)
        values = np.where(np.abs(values - self._neutral) <= self._snap, self._neutral, values)
        # The ends are exact: a range promises its limits, and rounding may miss them by a bit.
        values = np.where(unit <= 0.0, self._low, np.where(unit >= 1.0, self._high, values))
        values = np.clip(values, self._low, self._high)
        for column, choices in self._choices:
            cell = np.floor(unit[:, column] * len(choices)).astype(np.intp)
            values[:, column] = choices[np.clip(cell, 0, len(choices) - 1)]
        return self._on_grid(values)

    def nearest(self, values: FloatArray) -> FloatArray:
        """Move values, (m, n), into their ranges and onto their steps or choices."""
        nearest = np.clip(values, self._low, self._high)
        for column, choices in self._choices:
            nearest[:, column] = choices[self._nearest_choice(values, column, choices)]
        return self._on_grid(nearest)

    def _nearest_choice(
        self, values: FloatArray, column: int, choices: FloatArray
    ) -> npt.NDArray[np.intp]:
        """Return the index of the choice that is nearest on the curve; the earlier wins a tie.

        On a logarithmic scale 100 Hz lies nearer to 150 Hz than to 60 Hz.
        """
        name = next(name for name, columns in self._curves.items() if column in columns)
        low, high = self._curve_low[column], self._curve_high[column]
        held = np.clip(values[:, column], self._low[column], self._high[column])
        curve, places = (_CURVES[name][0](array, low, high) for array in (held, choices))
        nearest: npt.NDArray[np.intp] = np.argmin(np.abs(curve[:, np.newaxis] - places), axis=1)
        return nearest

    def _on_grid(self, values: FloatArray) -> FloatArray:
        """Round stepped columns to their grid, which goes through the neutral value."""
        columns = self._stepped
        if len(columns):
            neutral = self._neutral[columns]
            first, last = grid_limits(self._low[columns], self._high[columns], neutral, self._step)
            count = np.clip(np.rint((values[:, columns] - neutral) / self._step), first, last)
            values[:, columns] = np.round(neutral + count * self._step, _GRID_DECIMALS)
        return values

    def _on_curve(self, array: FloatArray, *, back: bool = False) -> FloatArray:
        """Map values to the unit range of their curves, wider than a narrowed space, or back."""
        result = np.empty_like(array, dtype=np.float64)
        for name, columns in self._curves.items():
            function = _CURVES[name][back]
            low, high = self._curve_low[columns], self._curve_high[columns]
            result[:, columns] = function(array[:, columns], low, high)
        return result

    def _snap_tolerance(self) -> FloatArray:
        """Return how near to neutral, inside the range, a decoded value counts as neutral.

        Then a part at neutral does nothing at all after a way through the unit range. The
        quadratic curve needs none: its neutral is computed exactly.
        """
        snap = _SNAP_LINEAR * np.maximum(np.abs(self._low), np.abs(self._high))
        if "log" in self._curves:
            columns = self._curves["log"]
            snap[columns] = _SNAP_LOG * self._neutral[columns]
        for name in ("rise", "swing"):
            snap[self._curves.get(name, [])] = 0.0
        is_inside = (self._low < self._neutral) & (self._neutral < self._high)
        return np.where(is_inside, snap, 0.0)


def grid_limits(
    low: FloatArray, high: FloatArray, neutral: FloatArray, step: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the first and the last step, counted from neutral, that lie in the range."""
    count_low, count_high = (low - neutral) / step, (high - neutral) / step
    return np.ceil(count_low - GRID_SLACK), np.floor(count_high + GRID_SLACK)


def curve_name(scale: str, neutral: float, curve_range: tuple[float, float]) -> str | None:
    """Return the curve of a scale, or None if its quadratic has no place for the neutral value."""
    if scale == "log":
        return "log"
    if scale != "quadratic":
        return "linear"
    low, high = curve_range
    if neutral == low:
        return "rise"
    # Rounding of the sum; a range that is off by more isn't symmetric.
    is_symmetric = abs(neutral - 0.5 * (low + high)) <= 1e-12 * (high - low)
    return "swing" if is_symmetric else None


def _columns_by_curve(parameters: Columns) -> dict[str, npt.NDArray[np.intp]]:
    """Group the column numbers by their curve."""
    names = [curve_name(p.scale, p.neutral, p.curve_range) for p in parameters]
    return {
        name: np.array([i for i, other in enumerate(names) if other == name], dtype=np.intp)
        for name in _CURVES
        if name in names
    }


def _column(parameters: Columns, field: str) -> FloatArray:
    """Collect one field of all parameters."""
    return np.array([getattr(p, field) for p in parameters], dtype=np.float64)


def _swing_to_unit(value: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """Quadratic to both sides of the middle."""
    half = 0.5 * (high - low)
    offset = (value - 0.5 * (low + high)) / half
    return np.asarray(0.5 + 0.5 * np.sign(offset) * np.sqrt(np.abs(offset)), dtype=np.float64)


def _swing_from_unit(unit: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """Quadratic to both sides of the middle."""
    half = 0.5 * (high - low)
    offset = 2.0 * (unit - 0.5)
    return 0.5 * (low + high) + half * offset * np.abs(offset)


# To the unit range and back: equal steps; equal ratios; finer near a neutral value at the low
# end, and in the middle.
_CURVES: dict[str, tuple[Callable[..., Any], Callable[..., Any]]] = {
    "linear": (
        lambda value, low, high: (value - low) / (high - low),
        lambda unit, low, high: low + (high - low) * unit,
    ),
    "log": (
        lambda value, low, high: np.log(value / low) / np.log(high / low),
        lambda unit, low, high: low * np.exp(unit * np.log(high / low)),
    ),
    "rise": (
        lambda value, low, high: np.sqrt((value - low) / (high - low)),
        lambda unit, low, high: low + (high - low) * unit**2,
    ),
    "swing": (_swing_to_unit, _swing_from_unit),
}
