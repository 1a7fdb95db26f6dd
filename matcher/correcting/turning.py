"""From readings to the next slip: what to turn, from where to where, the important ones first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from shared import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matcher.correcting.reading import Reading
    from voice import Structure

__all__ = ["Turn", "Turned", "next_turns"]

# A knob that moves what it moves by less than a third, or by more than three times what its panel
# says, is not believed at once.
SLOPES = (1.0 / 3.0, 3.0)
# A control that was turned by so many of its errors, and moved by less than this share, is dead.
TURNED_ERRORS, IDLE_SHARE = 3.0, 0.2
# At most so many at a time: one hears what each of them did.
MOST_TURNS = 5


@dataclass(frozen=True)
class Turned:
    """One control at an earlier take: where it was dialled, and what it sounded like, 0 to 1."""

    dialled: float
    fitted: float
    error: float


@dataclass(frozen=True)
class Turn:
    """A control that is to be turned, in the unit of its parameter.

    `aim` is what it is to sound like, `heard` what it sounds like now; `weight` is how much of the
    distance between the two goes.
    """

    name: str
    from_value: float
    to_value: float
    heard: float
    aim: float
    weight: float


def next_turns(
    readings: Sequence[Reading],
    aims: Mapping[str, float],
    earlier: Mapping[str, Sequence[Turned]],
    structure: Structure,
) -> tuple[tuple[Turn, ...], tuple[str, ...]]:
    """Say what to turn, the most important first, and which controls were turned in vain."""
    turns, idle = [], []
    for reading in readings:
        parameter = CATALOGUE[reading.name]
        aim = float(parameter.encode(aims[reading.name]))
        slope = _slope(reading, earlier.get(reading.name, ()))
        if slope is None:
            idle.append(reading.name)
            continue
        off = aim - reading.fitted
        if abs(off) <= reading.error or reading.weight <= 0.0:
            continue
        place = float(np.clip(reading.dialled + off / slope, 0.0, 1.0))
        to_value = on_panel(structure, reading.name, float(parameter.decode(place)))
        from_value = float(parameter.decode(reading.dialled))
        if to_value != on_panel(structure, reading.name, from_value):
            turns.append(
                Turn(reading.name, from_value, to_value, float(parameter.decode(reading.fitted)),
                     aims[reading.name], reading.weight)
            )  # fmt: skip
    return tuple(sorted(turns, key=lambda turn: -turn.weight)), tuple(idle)


def _slope(reading: Reading, earlier: Sequence[Turned]) -> float | None:
    """Learn from the last turn how far a control moves what it moves; None if not at all."""
    for before in reversed(earlier):
        turned = reading.dialled - before.dialled
        error = float(np.hypot(reading.error, before.error))
        if abs(turned) <= error:
            continue
        slope = (reading.fitted - before.fitted) / turned
        if abs(turned) > TURNED_ERRORS * error and abs(slope) < IDLE_SHARE:
            return None
        return float(np.clip(slope, *SLOPES))
    return 1.0


def on_panel(structure: Structure, name: str, value: float) -> float:
    """Bring a value to the nearest that the panel has."""
    parameter = structure.space[name]
    if parameter.choices:
        places = [float(CATALOGUE[name].encode(choice)) for choice in parameter.choices]
        wanted = float(CATALOGUE[name].encode(value))
        return float(parameter.choices[int(np.argmin([abs(p - wanted) for p in places]))])
    return float(np.clip(value, parameter.low, parameter.high))
