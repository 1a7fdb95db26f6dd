"""What a calibration finds: values with error bars, and what it could not tell."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Calibration", "CalibrationPoint", "Measured"]


@dataclass(frozen=True)
class Measured:
    """One measured value.

    Parameters
    ----------
    value : float
        In the unit of the parameter.
    error : float >= 0
        Its standard error.
    remarks : tuple of str
        What the recording does not allow.
    """

    value: float
    error: float
    remarks: tuple[str, ...] = ()


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

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        return dict(vars(self))


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
        return {
            "parameter": self.parameter,
            "points": [point.to_dict() for point in self.points],
            "remarks": list(self.remarks),
        }
