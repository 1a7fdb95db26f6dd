"""Just-noticeable differences: how far a quantity has to move before it is heard.

They were measured with attentive listeners who compared single sounds in a quiet room, which is
how a patch is compared with its target. Where sources disagree, a value from the lower part of
their range is taken, so that what is called inaudible is. Each record names its source; "from
memory" marks figures that were not looked up again.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["JUST_NOTICEABLE", "JustNoticeable"]


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
    absolute : float > 0, optional
        Smallest difference that is heard, in `unit`.
    ratio : float > 0, optional
        The same as a share of the target's value, no unit.
    """

    quantity: str
    unit: str
    source: str
    absolute: float | None = None
    ratio: float | None = None

    def threshold(self, reference: float) -> float:
        """Return the smallest difference from a value that is heard.

        Parameters
        ----------
        reference : float
            Value of the target, in `unit`.

        Returns
        -------
        float
            In `unit`; the larger one where an absolute and a relative threshold are known.
        """
        return max(self.absolute or 0.0, (self.ratio or 0.0) * abs(reference))


# Shorter differences of time than this are not resolved at all.
_TEMPORAL_RESOLUTION_S = 0.003
_RESOLUTION_SOURCE = (
    "no less than the 2 to 3 ms of auditory temporal resolution: S. A. Gelfand, Hearing, chapter "
    "on auditory sensitivity"
)

_RECORDS = (
    JustNoticeable(
        "level",
        "db",
        "0.5 to 1.0 dB for most sounds, 1.5 dB at 20 dB SPL to 0.3 dB at 80 dB SPL for a tone of "
        "1 kHz: The Open University, Hearing, section 10.3; about 1 dB at moderate levels: "
        "W. Jesteadt, C. C. Wier and D. M. Green, J. Acoust. Soc. Am. 61, 1977 (from memory)",
        absolute=1.0,
    ),
    JustNoticeable(
        "pitch",
        "cents",
        "0.34 % at 1 kHz and 0.18 % at 2 kHz for pure tones: table in J. O. Smith, Spectral Audio "
        "Signal Processing, 2011; 1/30 of the critical bandwidth, 0.5 % at 1 kHz: A. J. M. "
        "Houtsma, T. D. Rossing and W. M. Wagenaars, Auditory Demonstrations, 1987",
        absolute=5.0,
    ),
    JustNoticeable(
        "attack",
        "s",
        "20 to 30 % of the rise time: M. P. R. van den Broecke and V. J. van Heuven, Perception "
        f"and Psychophysics 33, 1983 (from memory); {_RESOLUTION_SOURCE}",
        absolute=_TEMPORAL_RESOLUTION_S,
        ratio=0.2,
    ),
    JustNoticeable(
        "decay",
        "s",
        "changes of the time constant of 25 to 40 % are inaudible: T. Tolonen and H. Järveläinen, "
        "Perceptual Study of Decay Parameters in Plucked String Synthesis, Audio Engineering "
        f"Society convention, 2000; {_RESOLUTION_SOURCE}",
        absolute=_TEMPORAL_RESOLUTION_S,
        ratio=0.25,
    ),
    JustNoticeable(
        "release",
        "s",
        "as for the decay, of which a release is one: T. Tolonen and H. Järveläinen, Perceptual "
        "Study of Decay Parameters in Plucked String Synthesis, Audio Engineering Society "
        f"convention, 2000; {_RESOLUTION_SOURCE}",
        absolute=_TEMPORAL_RESOLUTION_S,
        ratio=0.25,
    ),
    JustNoticeable(
        "brightness",
        "hz",
        "4 to 5 % of the spectral centroid: R. A. Kendall and E. C. Carterette, Difference "
        "thresholds for timbre related to spectral centroid, ICMPC 1996, and E. J. Allen and "
        "A. J. Oxenham, J. Acoust. Soc. Am. 135, 2014 (figures from memory)",
        ratio=0.05,
    ),
    JustNoticeable(
        "vibrato",
        "cents",
        "a vibrato is heard from 0.35 % to one side on, 6 cents, for tones above 500 Hz, where "
        "most partials lie: H. Fastl and E. Zwicker, Psychoacoustics, chapter 7 (from memory)",
        absolute=5.0,
    ),
    JustNoticeable(
        "vibrato rate",
        "hz",
        "5 to 10 % for modulation rates of some Hz, after rate discrimination of amplitude "
        "modulation: J. Lee, J. Acoust. Soc. Am. 96, 1994 (figures from memory)",
        ratio=0.06,
    ),
    JustNoticeable(
        "vibrato depth",
        "cents",
        "about 20 % for depths well above the threshold of detection (from memory)",
        ratio=0.2,
    ),
    JustNoticeable(
        "beating",
        "hz",
        "as for the vibrato rate, with the upper figure, as beats are slow and few: J. Lee, "
        "J. Acoust. Soc. Am. 96, 1994 (figures from memory)",
        ratio=0.1,
    ),
)
JUST_NOTICEABLE: Mapping[str, JustNoticeable] = MappingProxyType(
    {record.quantity: record for record in _RECORDS}
)
