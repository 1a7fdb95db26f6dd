"""MIDI controllers: which message sets a control of the instrument, and with which data.

Control changes with 7 or 14 bits, and non-registered parameter numbers, as in the MIDI 1.0
Detailed Specification (document version 4.2, 1996, from memory): controllers 0 to 31 carry the
coarse seven bits and 32 to 63 the fine ones of the same control; 99 and 98 choose a
non-registered parameter (coarse, fine), 6 and 38 its data.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from shared import ParameterError

__all__ = ["SOUND_CONTROLLERS", "Controller"]

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
                    "0 to 119 without 6, 38 and 96 to 101 is accepted. Take nrpn for those.",
                    name="cc",
                    value=self.number,
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


def _check_choice(name: str, value: Any, accepted: tuple[int, ...]) -> None:  # noqa: ANN401
    """Refuse what isn't one of a few numbers."""
    if isinstance(value, bool) or value not in accepted:
        text = " or ".join(str(number) for number in accepted)
        raise ParameterError(f"{name} is {value!r}; {text} is accepted.", name=name, value=value)


def _check_whole(name: str, value: Any, low: int, high: int) -> None:  # noqa: ANN401
    """Refuse what isn't a whole number in a range."""
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise ParameterError(
            f"{name} is {value!r}; a whole number from {low} to {high} is accepted.",
            name=name,
            value=value,
        )
