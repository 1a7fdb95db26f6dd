"""From single measurements to a table that rises, or falls, all the way."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from shared import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.calibrating.fitting import Measured

__all__ = ["Calibration", "CalibrationPoint", "make_table"]

# A value whose standard error is a larger share of it than this is hardly measured.
LARGEST_ERROR_RATIO = 0.2
# The same for what is counted in itself: ratios, cents (as a share of the table's span).
LARGEST_ERROR_SHARE = 0.1
# With fewer places, the curve between them is a guess.
FEWEST_PLACES = 4
# Neighbours that go the wrong way by more than this many standard errors were misread.
WRONG_WAY = 3.0
# Within this share of the largest value, two values count as the same place of a flat stretch.
_SAME = 1e-9


@dataclass(frozen=True)
class CalibrationPoint:
    """One place on the panel.

    Parameters
    ----------
    panel : float
        What the panel said.
    value, error : float
        What it is, in the unit of the parameter, and its standard error.
    recordings : tuple of str
        Names of the recordings.
    remarks : tuple of str
        Warnings of this place.
    is_used : bool
        Whether it goes into the table.
    """

    panel: float
    value: float
    error: float
    recordings: tuple[str, ...]
    remarks: tuple[str, ...] = ()
    is_used: bool = True


@dataclass(frozen=True)
class Calibration:
    """The table of one control.

    Parameters
    ----------
    parameter : str
        The parameter.
    points : tuple of CalibrationPoint
        By panel value.
    remarks : tuple of str
        Warnings that concern the table as a whole.
    """

    parameter: str
    points: tuple[CalibrationPoint, ...]
    remarks: tuple[str, ...] = ()

    @property
    def table(self) -> tuple[CalibrationPoint, ...]:
        """The points that go into the structure file: they rise, or fall, all the way."""
        return tuple(point for point in self.points if point.is_used)

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        return asdict(self)


def make_table(parameter: str, found: Sequence[tuple[float, str, Measured]]) -> Calibration:
    """Join measurements, with their panel values and names of recordings, into a table.

    Places with several recordings have their mean. Places that stand out of order are left out
    of the table, with a remark.
    """
    if parameter.endswith("level"):
        found = _relative(found)
    points = [
        _joined(panel, [(name, measured) for place, name, measured in found if place == panel])
        for panel in sorted({panel for panel, _, _ in found})
    ]
    points = [_with_remarks(point, points, parameter) for point in points]
    points, remarks = _monotone(points)
    if sum(point.is_used for point in points) < FEWEST_PLACES:
        remarks.append(
            f"the table has {sum(point.is_used for point in points)} places; the curve between "
            f"them is a guess. {FEWEST_PLACES} or more tell it"
        )
    return Calibration(parameter, tuple(points), tuple(remarks))


def _relative(found: Sequence[tuple[float, str, Measured]]) -> list[tuple[float, str, Measured]]:
    """Count levels as ratios to the loudest, which is 1."""
    loudest = max(measured.value for _, _, measured in found) or 1.0
    return [
        (
            panel,
            name,
            replace(measured, value=measured.value / loudest, error=measured.error / loudest),
        )
        for panel, name, measured in found
    ]


def _joined(panel: float, here: list[tuple[str, Measured]]) -> CalibrationPoint:
    """Average what was measured at one place, each by its error."""
    values = np.array([measured.value for _, measured in here])
    errors = np.array([max(measured.error, 1e-12) for _, measured in here])
    weights = 1.0 / errors**2
    value = float(np.sum(weights * values) / np.sum(weights))
    error = float(1.0 / np.sqrt(np.sum(weights)))
    if len(here) > 1:
        # The scatter between recordings says more than the error that each claims.
        error = max(error, float(np.std(values, ddof=1) / np.sqrt(len(here))))
    remarks = dict.fromkeys(remark for _, measured in here for remark in measured.remarks)
    return CalibrationPoint(panel, value, error, tuple(name for name, _ in here), tuple(remarks))


def _with_remarks(
    point: CalibrationPoint, points: list[CalibrationPoint], parameter: str
) -> CalibrationPoint:
    """Add what is told by the number alone: a wide error bar, a value beyond the voice."""
    remarks = list(point.remarks)
    known = CATALOGUE[parameter]
    values = [other.value for other in points]
    is_wide = (
        point.error > LARGEST_ERROR_RATIO * abs(point.value)
        if known.scale == "log"
        else point.error > LARGEST_ERROR_SHARE * max(max(values) - min(values), 1e-12)
    )
    if is_wide and len(points) > 1:
        remarks.append("the error bar is wide: record it again, or in another way")
    if not known.low <= point.value <= known.high:
        remarks.append(f"the voice has {known.accepted} only; beyond that it can't follow")
    return replace(point, remarks=tuple(remarks))


def _monotone(points: list[CalibrationPoint]) -> tuple[list[CalibrationPoint], list[str]]:
    """Leave out the fewest places so that the rest rises, or falls, all the way.

    Of all sequences of the same length the one with the smallest errors is kept.
    """
    kept = max(
        (_longest(points, sign) for sign in (1.0, -1.0)), key=lambda found: (len(found), found)
    )
    remarks = []
    result = []
    for i, point in enumerate(points):
        if i in kept:
            result.append(point)
            continue
        near = min((points[j] for j in kept), key=lambda other: abs(other.panel - point.panel))
        distance = abs(point.value - near.value)
        spread = float(np.hypot(point.error, near.error))
        why = (
            "within their errors it can't be told from its neighbour"
            if distance <= WRONG_WAY * spread
            else "it goes against its neighbours: check the knob, and that this is the right file"
        )
        result.append(replace(point, is_used=False))
        remarks.append(f"the place {point.panel:g} is left out of the table: {why}")
    return result, remarks


def _longest(points: list[CalibrationPoint], sign: float) -> list[int]:
    """Find the longest run of places, not all neighbours, whose values rise (times `sign`)."""
    best: list[tuple[int, float, list[int]]] = []
    for i, point in enumerate(points):
        reachable = [
            entry
            for entry in best
            if sign * (point.value - points[entry[2][-1]].value)
            > _SAME * max(abs(point.value), abs(points[entry[2][-1]].value))
        ]
        before = max(reachable, key=lambda entry: entry[:2], default=(0, 0.0, []))
        cost = point.error / (abs(point.value) + 1e-12)
        best.append((before[0] + 1, before[1] - cost, [*before[2], i]))
    return max(best, key=lambda entry: entry[:2])[2]
