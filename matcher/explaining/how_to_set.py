"""Records of how to set a patch: how exactly each control, and in which order."""

from __future__ import annotations

from collections.abc import Mapping  # noqa: TC003  fields are resolved when a file is read
from dataclasses import dataclass

__all__ = ["BuildOrder", "BuildStep", "ProfilePoint", "Slack", "SlackOfPatch", "TradeOff"]


@dataclass(frozen=True)
class ProfilePoint:
    """One place of a control, the others fitted again.

    Parameters
    ----------
    value : float
        Value of the parameter.
    loss : float
        Loss there.
    largest : float
        Largest rise of a measured part of the loss, in just-noticeable differences.
    """

    value: float
    loss: float
    largest: float


@dataclass(frozen=True)
class Slack:
    """How exactly one control has to be set.

    Parameters
    ----------
    name : str
        The parameter.
    part, label : str
        Its part and its name on a panel.
    value, low, high : float
        Where it stands, and the interval within which no difference is heard, the other
        controls fitted again.
    is_low_open, is_high_open : bool
        Whether the interval ends at the end of the range, and not at a difference.
    alone_low, alone_high : float
        The same interval with all other controls left alone.
    exactness : str
        "anywhere", "roughly", "with care" or "exactly": how much of the range the interval is.
    profile : tuple of ProfilePoint
        What was measured, by rising value.
    sentence : str
        In words.
    """

    name: str
    part: str
    label: str
    value: float
    low: float
    high: float
    is_low_open: bool
    is_high_open: bool
    alone_low: float
    alone_high: float
    exactness: str
    profile: tuple[ProfilePoint, ...]
    sentence: str

    def holds(self, value: float) -> bool:
        """Say whether a value lies within the slack.

        Parameters
        ----------
        value : float
            In the unit of the parameter.

        Returns
        -------
        bool
            True from `low` to `high`.
        """
        return self.low <= value <= self.high


@dataclass(frozen=True)
class TradeOff:
    """Two controls that can stand in for each other.

    Parameters
    ----------
    first, second : str
        The parameters.
    first_values, second_values : tuple of (float, float)
        Where they stand in the patch, and where they stand in another setting that sounds the
        same.
    strength : float, 0 to 1
        Share of what moving the first one changes that the second one takes back.
    sentence : str
        "A lower cutoff with more envelope depth ...".
    """

    first: str
    second: str
    first_values: tuple[float, float]
    second_values: tuple[float, float]
    strength: float
    sentence: str


@dataclass(frozen=True)
class SlackOfPatch:
    """How exactly each control has to be set.

    Parameters
    ----------
    slacks : tuple of Slack
        The most exact one first.
    trade_offs : tuple of TradeOff
        The strongest one first.
    missing : tuple of str
        Parameters that time was too short for.
    """

    slacks: tuple[Slack, ...]
    trade_offs: tuple[TradeOff, ...]
    missing: tuple[str, ...] = ()


@dataclass(frozen=True)
class BuildStep:
    """One step from the plain patch to the final one.

    Parameters
    ----------
    number : int
        From 1.
    part : str
        The part that is set.
    text : str
        What to do, in panel language.
    values : mapping of str to float
        What is set.
    loss : float
        Loss after the step.
    change : float
        How far the sound moves in this step, in just-noticeable differences of what changes
        most.
    file : str
        The sound after the step, within the run folder.
    """

    number: int
    part: str
    text: str
    values: Mapping[str, float]
    loss: float
    change: float
    file: str


@dataclass(frozen=True)
class BuildOrder:
    """From the plain patch to the final one, the step that helps most first.

    Parameters
    ----------
    start_text : str
        What the plain patch is.
    start_loss, final_loss : float
        Loss of the plain patch, and of the patch.
    start_file : str
        Sound of the plain patch.
    steps : tuple of BuildStep
        No more than can be heard.
    left_out : tuple of str
        What the patch sets besides, and nobody hears.
    """

    start_text: str
    start_loss: float
    final_loss: float
    start_file: str
    steps: tuple[BuildStep, ...]
    left_out: tuple[str, ...]
