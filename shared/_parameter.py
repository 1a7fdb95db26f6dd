"""What one parameter is: its unit, range and scale, and the checks on its values.

Users import it from `shared.parameters`, where the spaces of many parameters are.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import NoReturn

import numpy as np

from shared._checks import SLACK, check_in_range, check_unit_range, refuse_value
from shared._codec import UnitCodec, curve_name, grid_limits
from shared._wording import LABELS, accepted_range, format_value
from shared.errors import ParameterError

__all__ = ["Parameter"]

UNITS = tuple(LABELS)
SCALES = ("linear", "log", "octaves", "cents", "quadratic")


@dataclass(frozen=True)
class Parameter:
    """One parameter of the voice: its name, unit, range and scale.

    Parameters
    ----------
    name : str
        Dotted name, unit last (``"filter.cutoff_hz"``).
    unit : str
        One of ``hz, s, cents, db, octaves, octave, ratio, level, db_per_octave``.
    low, high : float
        Range in that unit, ends included; ``low < high``, or equal for a single choice.
    scale : str
        How [0, 1] spreads over the range: ``linear`` (also called ``octaves`` or ``cents`` where
        equal steps are equal intervals), ``log`` (equal ratios), or ``quadratic`` (finer near
        the neutral value, which must be the low end or the middle of the range).
    neutral : float
        The value at which the part does nothing, within the range.
    group : str
        What it shapes: pitch, waveform, attack, animation, brightness or level.
    meaning : str
        One line for the user.
    step : float, optional
        Distance between the values that a stepped control has, counted from `neutral`.
    choices : tuple of float
        The only accepted values, ascending, for a switch.
    full_range : tuple of (float, float), optional
        The range before narrowing; it keeps the shape of the scale and holds `neutral`.

    Raises
    ------
    ParameterError
        If the fields contradict each other.
    """

    name: str
    unit: str
    low: float
    high: float
    scale: str
    neutral: float
    group: str
    meaning: str
    step: float | None = None
    choices: tuple[float, ...] = ()
    full_range: tuple[float, float] | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        """Check the fields against each other."""
        _check_words(self)
        _check_range(self)
        _check_scale(self)
        _check_steps(self)

    @property
    def label(self) -> str:
        """Unit as it is printed (``"Hz"``, ``"dB/octave"``), empty for levels and ratios."""
        return LABELS[self.unit]

    @property
    def accepted(self) -> str:
        """What is accepted, for messages: ``"20 to 20000 Hz"``, ``"12 or 24 dB/octave"``."""
        return accepted_range(self)

    @property
    def curve_range(self) -> tuple[float, float]:
        """Range over which the scale is drawn: the one before narrowing."""
        return self.full_range or (self.low, self.high)

    def encode(self, value: float) -> float:
        """Map a physical value to the unit range.

        Parameters
        ----------
        value : float, low to high
            Value in the unit of the parameter; between two steps or choices the nearer counts.

        Returns
        -------
        float, 0 to 1
            Place in the range; the middle of its cell for a choice.

        Raises
        ------
        ParameterError
            If the value isn't a number within the range.
        """
        number = check_in_range(self, value)
        return float(self._codec.encode(np.array([[number]], dtype=np.float64))[0, 0])

    def decode(self, unit_value: float) -> float:
        """Map a place in the unit range to a physical value.

        Parameters
        ----------
        unit_value : float, 0 to 1
            Place in the range.

        Returns
        -------
        float, low to high
            Value in the unit of the parameter; steps and choices are exact.

        Raises
        ------
        ParameterError
            If the place lies outside [0, 1].
        """
        unit = np.array([[unit_value]], dtype=np.float64)
        check_unit_range(unit, (self,))
        return float(self._codec.decode(unit)[0, 0])

    def validate(self, value: float) -> float:
        """Check a value as a user gave it.

        Parameters
        ----------
        value : float
            Value in the unit of the parameter.

        Returns
        -------
        float
            The value; rounding errors at the ends of the range or beside a step are taken off.

        Raises
        ------
        ParameterError
            If it isn't a finite number, lies outside the range, or between two steps or choices.
        """
        number = check_in_range(self, value)
        nearest = float(self._codec.nearest(np.array([[number]], dtype=np.float64))[0, 0])
        tolerance = SLACK * (self.step or self.high - self.low)
        if abs(nearest - number) > tolerance:
            refuse_value(self, number)
        return nearest

    def format(self, value: float) -> str:
        """Print a value in the units of a panel.

        Parameters
        ----------
        value : float
            Value in the unit of the parameter.

        Returns
        -------
        str
            ``"240 ms"``, ``"5.20 Hz"``, ``"12.4 kHz"``, ``"+7.2 cents"``, ``"0.35"``.
        """
        return format_value(self, value)

    @cached_property
    def _codec(self) -> UnitCodec:
        """Arithmetic of this one column."""
        return UnitCodec((self,))


def _check_words(parameter: Parameter) -> None:
    """Refuse a unit or a scale that doesn't exist."""
    for kind, word, known in (
        ("unit", parameter.unit, UNITS),
        ("scale", parameter.scale, SCALES),
    ):
        if word not in known:
            _contradict(parameter, f'{kind} is "{word}"; {", ".join(known)} are accepted', word)


def _check_range(parameter: Parameter) -> None:
    """Refuse an empty or infinite range, and a neutral value outside of it."""
    low, high = parameter.low, parameter.high
    if not (math.isfinite(low) and math.isfinite(high)):
        _contradict(parameter, f"the range is {low} to {high}; it must be finite", (low, high))
    is_single_choice = len(parameter.choices) == 1 and low == high
    if not low < high and not is_single_choice:
        _contradict(parameter, f"the range is {low} to {high}; low must be below high", low)
    full_low, full_high = parameter.curve_range
    if not full_low <= parameter.neutral <= full_high:
        _contradict(
            parameter,
            f"neutral is {parameter.neutral}; it must lie within {full_low} to {full_high}",
            parameter.neutral,
        )
    if not full_low <= low <= high <= full_high:
        _contradict(
            parameter,
            f"the range is {low} to {high}; it must lie within {full_low} to {full_high}",
            (low, high),
        )


def _check_scale(parameter: Parameter) -> None:
    """Refuse a scale that can't be drawn over the range."""
    if parameter.scale == "log" and parameter.curve_range[0] <= 0.0:
        low = parameter.curve_range[0]
        _contradict(parameter, f"low is {low}; a log scale needs a range above 0", low)
    if curve_name(parameter) is None:
        _contradict(
            parameter,
            f"neutral is {parameter.neutral}; a quadratic scale needs it at the low end or in "
            f"the middle of {parameter.low} to {parameter.high}. Take a linear scale, or another "
            "range",
            parameter.neutral,
        )


def _check_steps(parameter: Parameter) -> None:
    """Refuse steps and choices that leave nothing to choose, or leave out the neutral value."""
    choices, step = parameter.choices, parameter.step
    if choices and step is not None:
        _contradict(parameter, f"step is {step} beside choices; give one of the two", step)
    if choices:
        is_ascending = all(a < b for a, b in itertools.pairwise(choices))
        if not is_ascending or (choices[0], choices[-1]) != (parameter.low, parameter.high):
            text = f"choices are {choices}; they must rise from low to high"
            _contradict(parameter, text, choices)
        if parameter.neutral not in choices and parameter.full_range is None:
            text = f"neutral is {parameter.neutral}; it must be one of {choices}"
            _contradict(parameter, text, parameter.neutral)
    if step is not None:
        if not (step > 0.0 and math.isfinite(step)):
            _contradict(parameter, f"step is {step}; it must be finite and above 0", step)
        limits = (parameter.low, parameter.high, parameter.neutral, step)
        first, last = grid_limits(*(np.array([limit]) for limit in limits))
        if first[0] > last[0]:
            _contradict(parameter, f"no step of {step} lies in the range", step)


def _contradict(parameter: Parameter, text: str, value: object) -> NoReturn:
    """Raise for a field of the parameter itself."""
    raise ParameterError(f"{parameter.name}: {text}.", name=parameter.name, value=value)
