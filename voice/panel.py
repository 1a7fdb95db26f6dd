"""Panels: how the controls of an instrument count, and what that is in physical values.

A `PanelScale` translates between what stands on the panel (6.5 on a knob from 0 to 10, the
switch position ``8'``) and the unit of the voice's parameter, both ways and in the steps that the
control really has. A `Control` adds its name on the panel and its MIDI controller.

Envelope times that a maker counts otherwise are converted by a named convention. The voice counts
an attack from the start to the peak of its straight line, and a fall by its time constant. Where
the shapes differ (a straight fall, a curved attack), the converted one has the same area under it
(over it, for an attack).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from shared import ParameterError

if TYPE_CHECKING:
    from collections.abc import Callable

    from shared import FloatArray

__all__ = ["TIME_CONVENTIONS", "Control", "Controller", "PanelScale", "time_factor"]

# Channel mode messages, data entry and the choice of parameters are no controls.
RESERVED = frozenset({6, 38, 96, 97, 98, 99, 100, 101, *range(120, 128)})
FINE_OFFSET = 32
N_COARSE = 32
BITS = (7, 14)
# The sound controllers of MIDI 1.0 (recommended practice RP-021) that have a meaning of their
# own. 70 (sound variation) and 79 have none that every instrument shares, so they set nothing.
SOUND_CONTROLLERS = {
    "filter.resonance_ratio": 71,
    "amp_env.release_s": 72,
    "amp_env.attack_s": 73,
    "filter.cutoff_hz": 74,
    "amp_env.decay_s": 75,
    "osc1.vibrato.rate_hz": 76,
    "osc1.vibrato.depth_cents": 77,
    "osc1.vibrato.delay_s": 78,
}
# Time constants for one unit of time in each convention. An exponential falls to 10 % in ln 10
# time constants and by 60 dB in ln 1000; the area under exp(-t/tau) is tau, and that under a
# straight fall is half its time.
TIME_CONVENTIONS = {
    "time-constant": 1.0,
    "to-10-percent": 1.0 / math.log(10.0),
    "to-60-db": 1.0 / math.log(1000.0),
    "linear-ramp": 0.5,
}
# A straight attack has as much over it as an exponential one of half its time has.
ATTACK_RAMP = 2.0
_TIMES = (".attack_s", ".decay_s", ".release_s")
# How far a knob without steps is turned when nothing smaller can be set by hand: common
# practice, no source.
HAND_RATIO = 1 / 20
# A value this share of a step beside it comes from rounding.
_ON_STEP = 1e-6


@dataclass(frozen=True)
class Controller:
    """The MIDI message that sets one control.

    Parameters
    ----------
    number : int
        Controller number, 0 to 119 without those that mean something else, for 14 bits 0 to 31;
        or a non-registered parameter number, 0 to 16383.
    bits : int
        7 or 14.
    is_nrpn : bool
        Whether `number` is a non-registered parameter number.
    data : tuple of int
        Data of each position of a switch; empty for equal parts of the range.
    low, high : int, optional
        Data at the ends of a knob; the whole range of the bits if left out.

    Raises
    ------
    ParameterError
        If a number lies outside its range.
    """

    number: int
    bits: int = 7
    is_nrpn: bool = False
    data: tuple[int, ...] = ()
    low: int | None = None
    high: int | None = None

    def __post_init__(self) -> None:
        """Check the numbers."""
        _check_choice("bits", self.bits, BITS)
        if self.is_nrpn:
            _check_whole("nrpn", self.number, 0, 16_383)
        else:
            _check_whole("cc", self.number, 0, N_COARSE - 1 if self.bits == 14 else 119)
            if self.number in RESERVED:
                raise ParameterError(
                    f"cc is {self.number}, which MIDI uses for data entry and parameter numbers; "
                    "it must be 0 to 119 without 6, 38 and 96 to 101. Take nrpn for those.",
                    name="cc",
                )
        for value in (*self.data, *(end for end in (self.low, self.high) if end is not None)):
            _check_whole("data", value, 0, self.largest)

    @property
    def largest(self) -> int:
        """Largest data value, 127 or 16383."""
        return (1 << self.bits) - 1

    @property
    def text(self) -> str:
        """How the controller is told: ``"CC 74"``, ``"CC 20, 14 bit"``, ``"NRPN 300"``."""
        name = f"{'NRPN' if self.is_nrpn else 'CC'} {self.number}"
        return name if self.bits == 7 else f"{name}, 14 bit"

    def data_for(self, place: float) -> int:
        """Turn a place on a knob into data.

        Parameters
        ----------
        place : float, 0 to 1
            Where the knob stands, as a share of its travel.

        Returns
        -------
        int
            The nearest data value.
        """
        low = 0 if self.low is None else self.low
        high = self.largest if self.high is None else self.high
        return round(low + (high - low) * min(max(place, 0.0), 1.0))

    def data_for_position(self, index: int, n_positions: int) -> int:
        """Turn a switch position into data.

        Parameters
        ----------
        index : int, 0 <= index < n_positions
            The position.
        n_positions : int >= 1
            How many there are.

        Returns
        -------
        int
            The data given in the structure file, or the middle of the position's part of the
            range: makers cut the range into equal parts (common practice, no source).
        """
        if self.data:
            return self.data[index]
        return int((index + 0.5) * (self.largest + 1) / n_positions)


def _check_choice(name: str, value: Any, known: tuple[int, ...]) -> None:  # noqa: ANN401
    """Refuse what isn't one of a few numbers."""
    if isinstance(value, bool) or value not in known:
        text = " or ".join(str(number) for number in known)
        raise ParameterError(f"{name} is {value!r}; it must be {text}.", name=name)


def _check_whole(name: str, value: Any, low: int, high: int) -> None:  # noqa: ANN401
    """Refuse what isn't a whole number in a range."""
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise ParameterError(
            f"{name} is {value!r}; it must be a whole number from {low} to {high}.", name=name
        )


def time_factor(parameter: str, convention: str) -> float:
    """Return what a maker's time is multiplied by to give the voice's."""
    if convention not in TIME_CONVENTIONS:
        raise ParameterError(
            f"times is {convention!r}; it must be one of {', '.join(TIME_CONVENTIONS)}.",
            name="times",
        )
    if not parameter.endswith(_TIMES):
        raise ParameterError(
            f"times is {convention!r}, and {parameter} is no envelope time; attack_s, decay_s and "
            "release_s are. Leave it out.",
            name="times",
        )
    is_attack = parameter.endswith(".attack_s")
    return TIME_CONVENTIONS[convention] * (ATTACK_RAMP if is_attack else 1.0)


@dataclass(frozen=True)
class PanelScale:
    """What the panel says, and which physical value that is.

    Parameters
    ----------
    points : tuple of (float, float)
        Panel value and physical value in the voice's unit: the two ends of a knob, measured
        points, or the positions of a switch counted from 0. Panel values rise; physical values
        rise or fall all the way.
    is_log : bool
        Whether equal steps on the panel are equal ratios.
    is_switch : bool
        Whether there are only the points, and nothing between.
    positions : tuple of str
        Names of a switch's positions.
    step : float > 0, optional
        Smallest step of the panel value, counted from the low end; a knob without steps stops
        anywhere.
    errors : tuple of float
        Standard errors of measured points, in the voice's unit; empty if not known.
    times : str, optional
        How the file counts an envelope time.

    Raises
    ------
    ParameterError
        If the points are too few, don't rise, or aren't above 0 on a logarithmic scale.
    """

    points: tuple[tuple[float, float], ...]
    is_log: bool = False
    is_switch: bool = False
    positions: tuple[str, ...] = ()
    step: float | None = None
    errors: tuple[float, ...] = ()
    times: str | None = None

    def __post_init__(self) -> None:
        """Check the points."""
        panel, value = np.array(self.points, dtype=np.float64).reshape(-1, 2).T
        if len(panel) < 2:
            raise ParameterError("one point is too few; there must be two or more.", name="points")
        if not np.all(np.diff(panel) > 0.0):
            raise ParameterError("panel values must rise from point to point.", name="points")
        slopes = np.diff(value)
        if not self.is_switch and not (np.all(slopes > 0.0) or np.all(slopes < 0.0)):
            raise ParameterError(
                "physical values must rise all the way, or fall all the way, from point to point.",
                name="points",
            )
        if self.is_log and not np.all(value > 0.0):
            raise ParameterError("a log scale needs values above 0.", name="points")
        if self.step is not None and not 0.0 < self.step <= panel[-1] - panel[0]:
            raise ParameterError(
                f"step is {self.step:g}; it must be above 0 and up to {panel[-1] - panel[0]:g}, "
                "the whole travel.",
                name="step",
            )

    @property
    def low(self) -> float:
        """Panel value at the low end."""
        return self.points[0][0]

    @property
    def high(self) -> float:
        """Panel value at the high end."""
        return self.points[-1][0]

    @property
    def is_stepped(self) -> bool:
        """Whether the control stops at certain places only."""
        return self.is_switch or self.step is not None

    @property
    def notch(self) -> float:
        """One step of the panel value; what a hand can set, where there are no steps."""
        if self.is_switch:
            return 1.0
        return self.step or HAND_RATIO * (self.high - self.low)

    @cached_property
    def stops(self) -> tuple[tuple[float, float], ...]:
        """Panel value and physical value of every step; empty for a knob without steps."""
        if self.is_switch:
            return self.points
        if self.step is None:
            return ()
        n_steps = math.floor((self.high - self.low) / self.step + _ON_STEP)
        # Ten decimals: 0.1 + 0.2 stands on the panel as 0.3.
        panel = [round(self.low + i * self.step, 10) for i in range(n_steps + 1)]
        return tuple((place, self.value(place)) for place in panel)

    def value(self, panel: float) -> float:
        """Translate a panel value.

        Parameters
        ----------
        panel : float, low to high
            What the panel says; of a switch the number of the position.

        Returns
        -------
        float
            The physical value, in the voice's unit; beyond an end that of the end.
        """
        if self.is_switch:
            return self.points[round(min(max(panel, self.low), self.high))][1]
        for place, value in self.points:
            if panel == place:
                return value
        held = min(max(panel, self.low), self.high)
        between = float(self._curve(np.array(held)))
        return math.exp(between) if self.is_log else between

    def panel(self, value: float) -> float:
        """Translate a physical value into the nearest place on the panel.

        Parameters
        ----------
        value : float
            In the voice's unit.

        Returns
        -------
        float
            Panel value, on a step where there are steps; a value beyond an end gives the end.
        """
        if self.is_stepped:
            return min(
                self.stops, key=lambda stop: abs(self._spread(stop[1]) - self._spread(value))
            )[0]
        low, high = sorted((self.points[0][1], self.points[-1][1]))
        wanted = self._spread(min(max(value, low), high))
        first, last = self.low, self.high
        is_rising = self.points[-1][1] > self.points[0][1]
        # Halving is exact to the last bit after 60 rounds, and needs no care at flat places.
        for _ in range(60):
            middle = 0.5 * (first + last)
            is_below = (self._spread(self.value(middle)) < wanted) == is_rising
            first, last = (middle, last) if is_below else (first, middle)
        return 0.5 * (first + last)

    def move(self, panel: float, n_notches: int) -> float | None:
        """Turn the control by some steps.

        Parameters
        ----------
        panel : float
            Where it stands.
        n_notches : int
            Number of steps, negative for down.

        Returns
        -------
        float or None
            Where it stands then; None beyond the end.
        """
        moved = round(panel + n_notches * self.notch, 10)
        slack = _ON_STEP * self.notch
        last = self.stops[-1][0] if self.stops else self.high
        return moved if self.low - slack <= moved <= last + slack else None

    def text(self, panel: float) -> str:
        """Print a panel value as it stands on the panel.

        Parameters
        ----------
        panel : float
            The panel value.

        Returns
        -------
        str
            ``"6.5"``, or the name of a position.
        """
        if self.is_switch and self.positions:
            return self.positions[round(panel)]
        return f"{panel:.{self._decimals}f}"

    @property
    def _decimals(self) -> int:
        """Decimals that a step needs; a hundredth of the travel where there are no steps."""
        if self.step is None:
            return max(0, 2 - math.floor(math.log10(self.high - self.low)))
        return next(
            (n for n in range(5) if abs(self.step * 10**n - round(self.step * 10**n)) < _ON_STEP),
            4,
        )

    def _spread(self, value: float) -> float:
        """Put a physical value where equal distances count equally."""
        return math.log(value) if self.is_log and value > 0.0 else value

    @cached_property
    def _curve(self) -> Callable[[FloatArray], FloatArray]:
        """Straight line or monotone cubic through the points, or through their logarithms.

        The cubic is that of Fritsch and Carlson, SIAM J. Numer. Anal. 17, 1980.
        """
        panel, value = np.array(self.points, dtype=np.float64).T
        spread = np.log(value) if self.is_log else value
        if len(panel) == 2:
            return lambda x: np.asarray(np.interp(x, panel, spread), dtype=np.float64)
        from scipy.interpolate import PchipInterpolator  # noqa: PLC0415  keeps the help quick

        curve: Callable[[FloatArray], FloatArray] = PchipInterpolator(panel, spread)
        return curve


@dataclass(frozen=True)
class Control:
    """One control of the user's instrument.

    Parameters
    ----------
    parameter : str
        The parameter it sets (and, through links, others).
    label : str
        What stands beside it on the panel; empty for the label of the parameter.
    scale : PanelScale, optional
        How it counts; None if the panel counts in the voice's unit.
    controller : Controller, optional
        The MIDI message that sets it.
    """

    parameter: str
    label: str = ""
    scale: PanelScale | None = None
    controller: Controller | None = None

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        scale, controller = self.scale, self.controller
        return {
            "parameter": self.parameter,
            "label": self.label,
            "points": None if scale is None else [list(point) for point in scale.points],
            "is_log": scale is not None and scale.is_log,
            "positions": [] if scale is None else list(scale.positions),
            "step": None if scale is None else scale.step,
            "errors": [] if scale is None else list(scale.errors),
            "times": None if scale is None else scale.times,
            "controller": None if controller is None else controller.text,
        }
