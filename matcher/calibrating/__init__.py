"""Calibration: from recordings of the user's own instrument to what its panel really does."""

from __future__ import annotations

from matcher.calibrating.calibrate import MEASURABLE, calibrate
from matcher.calibrating.table import Calibration, CalibrationPoint
from matcher.calibrating.writing import check_can_hold, write_calibration

__all__ = [
    "MEASURABLE",
    "Calibration",
    "CalibrationPoint",
    "calibrate",
    "check_can_hold",
    "write_calibration",
]
