"""What one parameter is: its unit, range and scale, the checks on its values, and their wording.

Spaces of many parameters are in `shared.parameter_space`, those of the voice in
`shared.catalogue`.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, NoReturn

import numpy as np

from shared.errors import ParameterError
from shared.unit_range import GRID_SLACK, UnitRange, curve_name, grid_limits

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from shared.types import FloatArray

__all__ = ["LABELS", "Parameter"]

LABELS = {
    "hz": "Hz",
    "s": "s",
    "cents": "cents",
    "db": "dB",
    "octaves": "octaves",
    "octave": "octaves",
    "ratio": "",
    "level": "",
    "db_per_octave": "dB/octave",
}

# A switch is told position by position, the steps of a knob by their number.
_MOST_LISTED = 6

_DECIMALS = {
    "cents": 1,
    "db": 1,
    "octaves": 2,
    "octave": 0,
    "ratio": 2,
    "level": 2,
    "db_per_octave": 0,
}

# Values this share of the range outside of it, or this share of a step beside it, come from
# rounding (a panel scale in ms, a ratio in %), not from the user.
SLACK = 1e-9
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
        What it shapes: pitch, waveform, attack, movement, brightness, level, or what comes after
        the instrument (mixer).
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
        for text in _contradictions(self):
            raise ParameterError(f"{self.name}: {text}.", name=self.name)

    @property
    def label(self) -> str:
        """Unit as it is printed (``"Hz"``, ``"dB/octave"``), empty for levels and ratios."""
        return LABELS[self.unit]

    @property
    def accepted(self) -> str:
        """What is accepted, for messages: ``"20 to 20000 Hz"``, ``"12 or 24 dB/octave"``."""
        text = f"{self.low:.6g} to {self.high:.6g}"
        if self.choices and len(self.choices) <= _MOST_LISTED:
            text = " or ".join(f"{choice:g}" for choice in self.choices)
        text = f"{text} {self.label}".rstrip()
        if len(self.choices) > _MOST_LISTED:
            return f"{text} in {len(self.choices)} steps"
        return text if self.step is None else f"{text} in steps of {self.step:g}"

    @property
    def curve_range(self) -> tuple[float, float]:
        """Range over which the scale is drawn: the one before narrowing."""
        return self.full_range or (self.low, self.high)

    def encode(self, value: float) -> float:
        """Map a physical value within the range to its place in [0, 1].

        Between two steps or choices the nearer counts; a choice is encoded as the middle of its
        cell.
        """
        number = check_in_range(self, value)
        return float(self._codec.encode(np.array([[number]], dtype=np.float64))[0, 0])

    def decode(self, unit_value: float) -> float:
        """Map a place in [0, 1] to a physical value; steps and choices are exact."""
        unit = np.array([[unit_value]], dtype=np.float64)
        check_unit_range(unit, (self,))
        return float(self._codec.decode(unit)[0, 0])

    def validate(self, value: float) -> float:
        """Check a value as a user gave it; rounding at the ends and beside steps is taken off.

        A `ParameterError` refuses what isn't a finite number, lies outside the range, or between
        two steps or choices.
        """
        number = check_in_range(self, value)
        nearest = float(self._codec.nearest(np.array([[number]], dtype=np.float64))[0, 0])
        tolerance = SLACK * (self.step or self.high - self.low)
        if abs(nearest - number) > tolerance:
            refuse_value(self, number)
        return nearest

    def format(self, value: float) -> str:
        """Print a value as panels do: ``"240 ms"``, ``"12.4 kHz"``, ``"+7.2 cents"``."""
        if self.unit == "s":
            return _time(value)
        if self.unit == "hz":
            return _frequency(value)
        if self.unit == "level" and 0.0 < value < 0.1:
            return _small_level(value)
        # Octaves are an amount of modulation: the direction counts, even if it can't be negative;
        # but a width has none.
        is_interval = self.unit in {"cents", "octave"} and self.curve_range[0] < 0.0
        is_width = self.name.endswith("bandwidth_octaves")
        is_gain = self.name.endswith("gain_db") and self.curve_range[0] < 0.0
        is_signed = is_interval or is_gain or (self.unit == "octaves" and not is_width)
        number = _number(value, _DECIMALS[self.unit], is_signed=is_signed)
        label = "octave" if self.unit == "octave" and abs(value) == 1.0 else self.label
        return f"{number} {label}".rstrip()

    @cached_property
    def _codec(self) -> UnitRange:
        """Arithmetic of this one column."""
        return UnitRange((self,))


def check_number(parameter: Parameter, value: object) -> float:
    """Refuse what isn't a number at all; True and False count as words."""
    if isinstance(value, bool) or not isinstance(value, (int, float, np.integer, np.floating)):
        text = f'"{value}"' if isinstance(value, str) else str(value)
        raise ParameterError(
            f"{parameter.name}: {text} is not a number; it must be {parameter.accepted}.",
            name=parameter.name,
        )
    try:
        return float(value)
    except OverflowError:
        # Whole numbers have no limit in Python and in JSON; no range goes that far.
        return math.inf if value > 0 else -math.inf


def check_in_range(parameter: Parameter, value: object) -> float:
    """Refuse what isn't a finite number within the range, rounding errors aside."""
    number = check_number(parameter, value)
    slack = slack_of(parameter)
    # Written so that NaN is refused too.
    if not parameter.low - slack <= number <= parameter.high + slack:
        refuse_value(parameter, number)
    return number


def refuse_value(parameter: Parameter, value: float) -> NoReturn:
    """Raise for a number that the parameter doesn't take."""
    raise ParameterError(
        f"{parameter.name} is {f'{_plain(value)} {parameter.label}'.rstrip()}; it must be "
        f"{parameter.accepted}.",
        name=parameter.name,
    )


def check_unit_range(unit: FloatArray, parameters: Sequence[Parameter]) -> None:
    """Refuse columns, (m, n), that leave [0, 1], and NaN."""
    is_bad = ~((unit >= -SLACK) & (unit <= 1.0 + SLACK))
    if is_bad.any():
        row, column = np.argwhere(is_bad)[0]
        value = float(unit[row, column])
        raise ParameterError(
            f"{parameters[column].name} is at {value:g} of its range; it must be 0 to 1. "
            "Clip to the unit range before decoding.",
            name=parameters[column].name,
        )


def slack_of(parameter: Parameter) -> float:
    """Return how far outside its range a value may lie: rounding, and where the last step ends."""
    return max(SLACK * (parameter.high - parameter.low), GRID_SLACK * (parameter.step or 0.0))


def _contradictions(parameter: Parameter) -> Iterator[str]:
    """Say which fields contradict each other."""
    for kind, word, known in (
        ("unit", parameter.unit, tuple(LABELS)),
        ("scale", parameter.scale, SCALES),
    ):
        if word not in known:
            yield f'{kind} is "{word}"; it must be one of {", ".join(known)}'
    yield from _contradictions_of_range(parameter)
    low, high, neutral, step = parameter.low, parameter.high, parameter.neutral, parameter.step
    choices = parameter.choices
    if choices and step is not None:
        yield f"step is {step} beside choices; give one of the two"
    if choices:
        is_ascending = all(a < b for a, b in itertools.pairwise(choices))
        if not is_ascending or (choices[0], choices[-1]) != (low, high):
            yield f"choices are {choices}; they must rise from low to high"
        if neutral not in choices and parameter.full_range is None:
            yield f"neutral is {neutral}; it must be one of {choices}"
    if step is not None:
        if not (step > 0.0 and math.isfinite(step)):
            yield f"step is {step}; it must be finite and above 0"
        first, last = grid_limits(*(np.array([limit]) for limit in (low, high, neutral, step)))
        if first[0] > last[0]:
            yield f"no step of {step} lies in the range"


def _contradictions_of_range(parameter: Parameter) -> Iterator[str]:
    """Say what is wrong with the range, the neutral value, and the scale over it."""
    low, high, neutral = parameter.low, parameter.high, parameter.neutral
    full_low, full_high = parameter.curve_range
    stated, full = f"the range is {low} to {high}", f"{full_low} to {full_high}"
    if not (math.isfinite(low) and math.isfinite(high)):
        yield f"{stated}; it must be finite"
    if not low < high and not (len(parameter.choices) == 1 and low == high):
        yield f"{stated}; low must be below high"
    if not full_low <= neutral <= full_high:
        yield f"neutral is {neutral}; it must lie within {full}"
    if not full_low <= low <= high <= full_high:
        yield f"{stated}; it must lie within {full}"
    if parameter.scale == "log" and full_low <= 0.0:
        yield f"low is {full_low}; a log scale needs a range above 0"
    if curve_name(parameter.scale, neutral, parameter.curve_range) is None:
        needed = f"a quadratic scale needs it at the low end or in the middle of {low} to {high}"
        yield f"neutral is {neutral}; {needed}. Take a linear scale, or another range"


def _plain(value: float) -> str:
    """Print a number fully, but without a needless ``.0``."""
    number = float(value)
    return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)


def _number(value: float, decimals: int, *, is_signed: bool) -> str:
    """Print with a plus sign if asked to; zero has no sign."""
    # Adding 0.0 turns the -0.0 that rounding may leave into 0.0.
    rounded = round(value, decimals) + 0.0
    sign = "+" if is_signed and rounded > 0.0 else ""
    return f"{sign}{rounded:.{decimals}f}"


def _small_level(value: float) -> str:
    """Print two digits that count, as levels are heard by their ratio; four decimals at most."""
    if value < 0.5e-4:
        return "0.00"
    decimals = 2 if round(value, 2) >= 0.1 else 3 if round(value, 3) >= 0.01 else 4
    return f"{value:.{decimals}f}"


def _time(value: float) -> str:
    """Print s from 1 s up, ms below, with two or three digits that count."""
    time_ms = 1000.0 * value
    if round(time_ms) >= 1000:
        return f"{value:.2f} s"
    return f"{_shortened(time_ms, 10.0)} ms" if time_ms else "0 ms"


def _frequency(value: float) -> str:
    """Print three digits that count, in kHz from 1000 Hz up."""
    is_high = round(value) >= 1000
    return f"{_shortened(value / 1000.0 if is_high else value, 100.0)} {'k' * is_high}Hz"


def _shortened(value: float, whole_from: float) -> str:
    """Print without decimals from a value up, with one from a tenth of it, else with two."""
    decimals = (
        0 if round(value, 1) >= whole_from else 1 if round(value, 2) >= 0.1 * whole_from else 2
    )
    return f"{value:.{decimals}f}"
