"""How quantities and their differences are put into words."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Wording", "wording_of"]

# From here on, percents are harder to grasp than "3 times as long".
MANY_TIMES = 2.0


@dataclass(frozen=True)
class Wording:
    """How a quantity is told.

    Parameters
    ----------
    more, less : str
        What a match with a larger or smaller value is.
    much : str
        What stands after "3 times as"; empty where differences aren't told in percent.
    unit : str
        Unit as it is printed.
    factor : float
        From our unit to the printed one.
    decimals : int
        Of a printed value of 10 or more; a smaller one has one more.
    """

    more: str
    less: str
    much: str
    unit: str
    factor: float = 1.0
    decimals: int = 0

    @property
    def is_relative(self) -> bool:
        """Whether differences are told in percent, with both values beside them."""
        return bool(self.much)

    def value(self, value: float) -> str:
        """Print a value with its unit.

        Parameters
        ----------
        value : float
            In our unit.

        Returns
        -------
        str
            For example ``"31 ms"``.
        """
        printed = value * self.factor
        decimals = self.decimals if abs(printed) >= 10.0 else self.decimals + 1
        return f"{printed:.{decimals}f} {self.unit}"

    def difference(self, target: float, match: float) -> str:
        """Say how far a match is off.

        Parameters
        ----------
        target, match : float
            Both values, in our unit.

        Returns
        -------
        str
            For example ``"23 % shorter"``, or ``"the same"``.
        """
        if self.is_relative and match >= MANY_TIMES * target:
            return f"{match / target:.2g} times as {self.much}"
        if self.is_relative:
            size = f"{100.0 * abs(match - target) / abs(target):.0f} %"
        else:
            size = f"{abs(match - target) * self.factor:.1f} {self.unit}"
        if float(size.split()[0]) == 0.0:
            return "the same"
        return f"{size} {self.more if match > target else self.less}"


_TIME = Wording("longer", "shorter", "long", "ms", factor=1000.0)
_RATE = Wording("faster", "slower", "fast", "Hz", decimals=1)
_DEPTH = Wording("deeper", "shallower", "deep", "cents")
_WORDINGS = {
    "level": Wording("louder", "softer", "", "dB"),
    "pitch": Wording("sharp", "flat", "", "cents"),
    "attack": _TIME,
    "decay": _TIME,
    "release": _TIME,
    "brightness": Wording("brighter", "darker", "bright", "Hz"),
    "vibrato": _DEPTH,
    "vibrato rate": _RATE,
    "vibrato depth": _DEPTH,
    "beating": _RATE,
}


def wording_of(quantity: str) -> Wording:
    """Find how a quantity is told.

    Parameters
    ----------
    quantity : str
        A key of `matcher.hearing.JUST_NOTICEABLE`.

    Returns
    -------
    Wording
        Its words.
    """
    return _WORDINGS[quantity]
