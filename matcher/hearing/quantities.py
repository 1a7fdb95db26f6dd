"""Just-noticeable differences, one row for each quantity: threshold, source, and words.

A threshold says how far a quantity has to move before it is heard. They were measured with
attentive listeners who compared single sounds in a quiet room, which is how a patch is compared
with its target. Where sources disagree, a value from the lower part of their range is taken, so
that what is called inaudible is. Each row names its publication; "from memory" marks figures that
were not looked up again.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["JUST_NOTICEABLE", "JustNoticeable", "Wording"]

# From here on, percents are harder to grasp than "3 times as long".
MANY_TIMES = 2.0


@dataclass(frozen=True)
class Wording:
    """How a quantity is put into words.

    `more` and `less` are what a match with a larger or smaller value is; `much` comes after
    "3 times as" and is empty where differences aren't given in percent; `factor` leads from our
    unit to the printed one; values under 10 have one decimal more.
    """

    more: str
    less: str
    much: str
    unit: str
    factor: float = 1.0
    decimals: int = 0

    @property
    def is_relative(self) -> bool:
        """Whether differences are given in percent, with both values beside them."""
        return bool(self.much)

    def value(self, value: float) -> str:
        """Print a value with its unit, for example ``"31 ms"``."""
        printed = value * self.factor
        decimals = self.decimals if abs(printed) >= 10.0 else self.decimals + 1
        return f"{printed:.{decimals}f} {self.unit}"

    def difference(self, target: float, match: float) -> str:
        """Say how far a match is off, for example ``"23 % shorter"`` or ``"the same"``."""
        if self.is_relative and match >= MANY_TIMES * target:
            return f"{match / target:.2g} times as {self.much}"
        if self.is_relative:
            size = f"{100.0 * abs(match - target) / abs(target):.0f} %"
        else:
            size = f"{abs(match - target) * self.factor:.1f} {self.unit}"
        if float(size.split()[0]) == 0.0:
            return "the same"
        return f"{size} {self.more if match > target else self.less}"


@dataclass(frozen=True)
class JustNoticeable:
    """One just-noticeable difference.

    Parameters
    ----------
    quantity : str
        What is compared.
    unit : str
        "db", "cents", "s" or "hz".
    source : str
        Where the figures come from.
    wording : Wording
        How its values and differences are put into words.
    absolute : float > 0, optional
        Smallest difference that is heard, in `unit`.
    ratio : float > 0, optional
        The same as a share of the target's value, no unit.
    """

    quantity: str
    unit: str
    source: str
    wording: Wording
    absolute: float | None = None
    ratio: float | None = None

    def threshold(self, reference: float) -> float:
        """Return the smallest difference from a value that is heard.

        The larger one where an absolute and a relative threshold are known.
        """
        return max(self.absolute or 0.0, (self.ratio or 0.0) * abs(reference))

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        return {
            "quantity": self.quantity,
            "unit": self.unit,
            "source": self.source,
            "absolute": self.absolute,
            "ratio": self.ratio,
        }


# Shorter differences of time than this are not resolved at all.
_TEMPORAL_RESOLUTION_S = 0.003
_RESOLUTION_SOURCE = (
    "no less than the 2 to 3 ms of auditory temporal resolution: S. A. Gelfand, Hearing, chapter "
    "on auditory sensitivity"
)

_DECAY_SOURCE = (
    "T. Tolonen and H. Järveläinen, Perceptual Study of Decay Parameters in Plucked String "
    f"Synthesis, Audio Engineering Society convention, 2000; {_RESOLUTION_SOURCE}"
)
_TIME = Wording("longer", "shorter", "long", "ms", factor=1000.0)
_RATE = Wording("faster", "slower", "fast", "Hz", decimals=1)
_DEPTH = Wording("deeper", "shallower", "deep", "cents")
_ROWS = (
    JustNoticeable(
        "level",
        "db",
        "0.5 to 1.0 dB for most sounds, 1.5 dB at 20 dB SPL to 0.3 dB at 80 dB SPL for a tone of "
        "1 kHz: The Open University, Hearing, section 10.3; about 1 dB at moderate levels: "
        "W. Jesteadt, C. C. Wier and D. M. Green, J. Acoust. Soc. Am. 61, 1977 (from memory)",
        Wording("louder", "softer", "", "dB"),
        absolute=1.0,
    ),
    JustNoticeable(
        "pitch",
        "cents",
        "0.34 % at 1 kHz and 0.18 % at 2 kHz for pure tones: table in J. O. Smith, Spectral Audio "
        "Signal Processing, 2011; 1/30 of the critical bandwidth, 0.5 % at 1 kHz: A. J. M. "
        "Houtsma, T. D. Rossing and W. M. Wagenaars, Auditory Demonstrations, 1987",
        Wording("sharp", "flat", "", "cents"),
        absolute=5.0,
    ),
    JustNoticeable(
        "attack",
        "s",
        "20 to 30 % of the rise time: M. P. R. van den Broecke and V. J. van Heuven, Perception "
        f"and Psychophysics 33, 1983 (from memory); {_RESOLUTION_SOURCE}",
        _TIME,
        absolute=_TEMPORAL_RESOLUTION_S,
        ratio=0.2,
    ),
    JustNoticeable(
        "decay",
        "s",
        f"changes of the time constant of 25 to 40 % are inaudible: {_DECAY_SOURCE}",
        _TIME,
        absolute=_TEMPORAL_RESOLUTION_S,
        ratio=0.25,
    ),
    JustNoticeable(
        "release",
        "s",
        f"as for the decay, of which a release is one: {_DECAY_SOURCE}",
        _TIME,
        absolute=_TEMPORAL_RESOLUTION_S,
        ratio=0.25,
    ),
    JustNoticeable(
        "brightness",
        "hz",
        "4 to 5 % of the spectral centroid: R. A. Kendall and E. C. Carterette, Difference "
        "thresholds for timbre related to spectral centroid, ICMPC 1996, and E. J. Allen and "
        "A. J. Oxenham, J. Acoust. Soc. Am. 135, 2014 (figures from memory)",
        Wording("brighter", "darker", "bright", "Hz"),
        ratio=0.05,
    ),
    JustNoticeable(
        "vibrato",
        "cents",
        "a vibrato is heard from 0.35 % to one side on, 6 cents, for tones above 500 Hz, where "
        "most partials lie: H. Fastl and E. Zwicker, Psychoacoustics, chapter 7 (from memory)",
        _DEPTH,
        absolute=5.0,
    ),
    JustNoticeable(
        "vibrato rate",
        "hz",
        "5 to 10 % for modulation rates of some Hz, after rate discrimination of amplitude "
        "modulation: J. Lee, J. Acoust. Soc. Am. 96, 1994 (figures from memory)",
        _RATE,
        ratio=0.06,
    ),
    JustNoticeable(
        "vibrato depth",
        "cents",
        "about 20 % for depths well above the threshold of detection (from memory)",
        _DEPTH,
        ratio=0.2,
    ),
    JustNoticeable(
        "beating",
        "hz",
        "as for the vibrato rate, with the upper figure, as beats are slow and few: J. Lee, "
        "J. Acoust. Soc. Am. 96, 1994 (figures from memory)",
        _RATE,
        ratio=0.1,
    ),
)
JUST_NOTICEABLE: Mapping[str, JustNoticeable] = MappingProxyType(
    {record.quantity: record for record in _ROWS}
)
