"""Whether a patch has come back: quantity by quantity, within tolerances that are told.

A found patch is compared with the true one as a player would: what sounds alike is alike, so the
two oscillators may stand in either order, and a modulator on a silent oscillator is none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from matcher.hearing import JUST_NOTICEABLE
from matcher.parts import used_parameters
from shared import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

__all__ = ["QUANTITIES", "Check", "Quantity", "check_patch", "peak_hz", "swap_oscillators"]

OSCILLATORS = ("osc1", "osc2")
# What counts in the choice between the two orders; beyond it, a figure is simply wrong.
LARGEST_EXCESS = 10.0
# There the filter is off.
OPEN_HZ = 20_000.0
# Found value or None, true value, error over tolerance, unit.
Figures: TypeAlias = tuple[float | None, float, float, str]


@dataclass(frozen=True)
class Check:
    """One quantity of one patch.

    Attributes
    ----------
    quantity : str
        A name of `QUANTITIES`.
    found, true : str
        Both values, with units.
    excess : float >= 0
        Error over its tolerance; infinite where there is nothing to compare.
    """

    quantity: str
    found: str
    true: str
    excess: float

    @property
    def is_within(self) -> bool:
        """Whether the tolerance is kept."""
        return self.excess <= 1.0


@dataclass(frozen=True)
class Heard:
    """Values of a patch, which of them are heard, and the keys that it is played on."""

    values: Mapping[str, float]
    used: frozenset[str]
    midi_pitches: tuple[float, ...]

    @classmethod
    def of(cls, values: Mapping[str, float], midi_pitches: Sequence[float]) -> Heard:
        """Find out what is heard."""
        return cls(values, used_parameters(values), tuple(midi_pitches))

    def sounds(self, osc: str) -> bool:
        """Whether an oscillator is heard."""
        return any(f"{osc}.{wave}_level" in self.used for wave in ("saw", "pulse", "triangle"))

    def depth(self, part: str, unit: str = "cents") -> float:
        """Depth of a modulator, 0 if it isn't heard."""
        name = f"{part}.depth_{unit}"
        return self.values[name] if name in self.used else 0.0

    def detune_cents(self) -> float | None:
        """Detune between two oscillators; None if one of them is silent, or in another octave."""
        both = all(map(self.sounds, OSCILLATORS))
        if not both or self.values["osc1.octave"] != self.values["osc2.octave"]:
            return None
        return abs(self.values["osc2.detune_cents"])


@dataclass(frozen=True)
class Quantity:
    """A quantity that has to come back.

    Attributes
    ----------
    name : str
        Name, for lists of failures.
    heading : str
        The same in two short words, for columns.
    tolerance : str
        Tolerance in words.
    measure : callable
        From the found and the true patch: found value or None, true value, excess, unit. It
        yields nothing where the true patch has no such quantity.
    """

    name: str
    heading: str
    tolerance: str
    measure: Callable[[Heard, Heard], Iterator[Figures]]

    def checks(self, found: Heard, true: Heard) -> list[Check]:
        """Compare two patches whose oscillators stand in the same order."""
        return [
            Check(
                self.name,
                "none" if value is None else f"{value:.4g} {unit}",
                f"{wanted:.4g} {unit}",
                excess,
            )
            for value, wanted, excess, unit in self.measure(found, true)
        ]


def peak_hz(values: Mapping[str, float], midi_pitch: float) -> float:
    """Return the highest cutoff at a key, at velocity 100."""
    octaves = max(values["filter_env.depth_octaves"], 0.0)
    octaves += values["filter.key_track_ratio"] * (midi_pitch - 60.0) / 12.0
    return float(min(values["filter.cutoff_hz"] * 2.0**octaves, OPEN_HZ))


def swap_oscillators(values: Mapping[str, float]) -> dict[str, float]:
    """Let the oscillators change places, so that the sound is the same."""
    swapped = dict(values)
    for name in CATALOGUE.names:
        if name.startswith("osc1."):
            other = name.replace("osc1.", "osc2.")
            swapped[name], swapped[other] = values[other], values[name]
    detune_cents = values["osc2.detune_cents"]
    swapped["osc2.detune_cents"] = -detune_cents
    swapped["tune_cents"] = values["tune_cents"] + detune_cents
    return swapped


def _ratio_excess(found: float, true: float, tolerance: float) -> float:
    """Error as a share of the true value, over its tolerance."""
    return abs(found / true - 1.0) / tolerance


def _cutoff(found: Heard, true: Heard) -> Iterator[Figures]:
    """Highest cutoff at each key: the tracking of the key is in it."""
    for key in true.midi_pitches:
        peaks = peak_hz(found.values, key), peak_hz(true.values, key)
        yield *peaks, _ratio_excess(*peaks, 0.1), "Hz"


def _envelope_depth(found: Heard, true: Heard) -> Iterator[Figures]:
    """Depth of the filter envelope, where there is a filter."""
    if "filter.cutoff_hz" in true.used:
        depth, wanted = (patch.depth("filter_env", "octaves") for patch in (found, true))
        yield depth, wanted, abs(depth - wanted) / 0.3, "octaves"


def _attack(found: Heard, true: Heard) -> Iterator[Figures]:
    """Attack of the amplifier."""
    yield _compare_attack("amp_env", found, true)


def _filter_attack(found: Heard, true: Heard) -> Iterator[Figures]:
    """Attack of the filter envelope, where there is one."""
    if true.depth("filter_env", "octaves"):
        yield _compare_attack("filter_env", found, true)


def _release(found: Heard, true: Heard) -> Iterator[Figures]:
    """Release of the amplifier."""
    value, wanted = (patch.values["amp_env.release_s"] for patch in (found, true))
    yield value, wanted, _ratio_excess(value, wanted, 0.25), "s"


def _pulse_width(found: Heard, true: Heard) -> Iterator[Figures]:
    """Width of each pulse."""
    for osc in OSCILLATORS:
        name = f"{osc}.pulse_width_ratio"
        if f"{osc}.pulse_level" in true.used:
            value = found.values[name] if f"{osc}.pulse_level" in found.used else None
            wanted = true.values[name]
            yield value, wanted, np.inf if value is None else abs(value - wanted) / 0.05, "cycles"


def _compare_attack(part: str, found: Heard, true: Heard) -> Figures:
    """Compare attacks in ms; the larger of 15 % and 4 ms is allowed."""
    name = f"{part}.attack_s"
    wanted = 1000.0 * true.values[name]
    if name not in found.used:
        return None, wanted, np.inf, "ms"
    attack = 1000.0 * found.values[name]
    return attack, wanted, abs(attack - wanted) / max(0.15 * wanted, 4.0), "ms"


def _detune(found: Heard, true: Heard) -> Iterator[Figures]:
    """Distance of the oscillators' pitches; which of them is the higher one is not asked."""
    wanted, cents = true.detune_cents(), found.detune_cents()
    if wanted is not None:
        yield cents, wanted, np.inf if cents is None else abs(cents - wanted) / 1.5, "cents"


def _of_modulator(
    part: str, quantity: str, tolerance: float, unit: str, *, depth_unit: str = "cents"
) -> Callable[[Heard, Heard], Iterator[Figures]]:
    """Compare a value of a modulator that is there, relative to the true one."""

    def measure(found: Heard, true: Heard) -> Iterator[Figures]:
        for osc in OSCILLATORS:
            name = f"{osc}.{part}.{quantity}"
            if true.depth(f"{osc}.{part}", depth_unit):
                wanted = true.values[name]
                if found.depth(f"{osc}.{part}", depth_unit):
                    value = found.values[name]
                    yield value, wanted, _ratio_excess(value, wanted, tolerance), unit
                else:
                    yield None, wanted, np.inf, unit

    return measure


def _absence(
    part: str, largest: float, unit: str = "cents"
) -> Callable[[Heard, Heard], Iterator[Figures]]:
    """Ask for no modulator where there is none: none deeper than is heard."""

    def measure(found: Heard, true: Heard) -> Iterator[Figures]:
        for osc in OSCILLATORS:
            if not true.depth(f"{osc}.{part}", unit):
                depth = found.depth(f"{osc}.{part}", unit)
                yield depth, 0.0, abs(depth) / largest, unit

    return measure


def _rate_tracking(found: Heard, true: Heard) -> Iterator[Figures]:
    """Key tracking of the vibrato's rate, where several keys can tell it."""
    for osc in OSCILLATORS if len(true.midi_pitches) > 1 else ():
        if true.depth(f"{osc}.vibrato"):
            name = f"{osc}.vibrato.rate_key_track_ratio"
            value = found.values[name] if found.depth(f"{osc}.vibrato") else None
            wanted = true.values[name]
            excess = np.inf if value is None else abs(value - wanted) / 0.1
            yield value, wanted, excess, "octaves per octave"


_PITCH_CENTS = JUST_NOTICEABLE["pitch"].threshold(0.0)
# A share of the cycle that nobody hears move; common practice, no source.
PWM_RATIO = 0.02
_VIBRATO_CENTS = JUST_NOTICEABLE["vibrato"].threshold(0.0)
QUANTITIES = (
    Quantity("highest cutoff", "cutoff peak", "10 %", _cutoff),
    Quantity("filter envelope depth", "filter depth", "0.3 octaves", _envelope_depth),
    Quantity("attack", "amp attack", "15 % or 4 ms", _attack),
    Quantity("filter attack", "filter attack", "15 % or 4 ms", _filter_attack),
    Quantity("release", "amp release", "25 %", _release),
    Quantity("detune", "detune", "1.5 cents, either order", _detune),
    Quantity(
        "pitch envelope depth",
        "bend depth",
        "20 %",
        _of_modulator("pitch_env", "depth_cents", 0.2, "cents"),
    ),
    Quantity(
        "pitch envelope decay",
        "bend decay",
        "25 %",
        _of_modulator("pitch_env", "decay_s", 0.25, "s"),
    ),
    Quantity(
        "no pitch envelope",
        "no bend",
        f"none over {_PITCH_CENTS:g} cents where there is none",
        _absence("pitch_env", _PITCH_CENTS),
    ),
    Quantity(
        "vibrato rate", "vibrato rate", "4 %", _of_modulator("vibrato", "rate_hz", 0.04, "Hz")
    ),
    Quantity(
        "vibrato depth",
        "vibrato depth",
        "25 %",
        _of_modulator("vibrato", "depth_cents", 0.25, "cents"),
    ),
    Quantity(
        "no vibrato",
        "no vibrato",
        f"none over {_VIBRATO_CENTS:g} cents where there is none",
        _absence("vibrato", _VIBRATO_CENTS),
    ),
    Quantity(
        "pulse-width rate",
        "width rate",
        "8 %",
        _of_modulator("pwm", "rate_hz", 0.08, "Hz", depth_unit="ratio"),
    ),
    Quantity(
        "pulse-width depth",
        "width depth",
        "25 %",
        _of_modulator("pwm", "depth_ratio", 0.25, "cycles", depth_unit="ratio"),
    ),
    Quantity("pulse width", "pulse width", "0.05 cycles", _pulse_width),
    Quantity(
        "no pulse-width modulation",
        "no width",
        f"none over {PWM_RATIO:g} cycles where there is none",
        _absence("pwm", PWM_RATIO, "ratio"),
    ),
    Quantity("vibrato rate tracking", "rate tracking", "0.1 octave per octave", _rate_tracking),
)


def check_patch(
    found: Mapping[str, float], true: Mapping[str, float], midi_pitches: Sequence[float]
) -> dict[str, list[Check]]:
    """Compare a found patch with the true one."""
    wanted = Heard.of(true, midi_pitches)
    orders = []
    for values in (found, swap_oscillators(found)):
        patch = Heard.of(values, midi_pitches)
        every = {quantity.name: quantity.checks(patch, wanted) for quantity in QUANTITIES}
        orders.append({name: checks for name, checks in every.items() if checks})
    return min(orders, key=_disagreement)


def _disagreement(by_quantity: Mapping[str, Sequence[Check]]) -> tuple[int, float]:
    """How many quantities are off, and by how much in all."""
    worst = [max(check.excess for check in checks) for checks in by_quantity.values()]
    return sum(x > 1.0 for x in worst), sum(min(x, LARGEST_EXCESS) for x in worst)
