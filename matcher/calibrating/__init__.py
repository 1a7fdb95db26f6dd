"""Calibration: from recordings of the user's own instrument to what its panel really does."""

from __future__ import annotations

from matcher.calibrating.calibrate import calibrate
from matcher.calibrating.measures import MEASURABLE
from matcher.calibrating.model import Calibration, CalibrationPoint
from matcher.calibrating.writing import write_calibration

__all__ = ["MEASURABLE", "Calibration", "CalibrationPoint", "calibrate", "write_calibration"]
