"""Slack in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matcher.explaining.how_to_set import Slack
    from shared import Parameter

__all__: list[str] = []

# Width of the slack as a share of the control's range: what that asks of the hand is common
# practice, no source. A knob turns by 270 to 300 degrees, so 5 % are 15 degrees.
_EXACTNESS = ((0.5, "anywhere"), (0.2, "roughly"), (0.05, "with care"), (0.0, "exactly"))


def exactness_of(width_ratio: float) -> str:
    """Name how exactly a control has to stand."""
    return next(word for least, word in _EXACTNESS if width_ratio >= least)


def describe_slack(slack: Slack, parameter: Parameter) -> str:
    """Say where a control may stand."""
    start = f"{slack.part}, {slack.label} {parameter.format(slack.value)}"
    if slack.is_low_open and slack.is_high_open:
        return f"{start}: may stand anywhere in its range if the others follow."
    together = _span(slack, parameter)
    alone = _interval(parameter, slack.alone_low, slack.alone_high)
    return (
        f"{start}: {together} comes as close if the others follow; alone, {alone} sounds the same."
    )


def _span(slack: Slack, parameter: Parameter) -> str:
    """Print the slack."""
    if slack.is_low_open:
        return f"anything up to {parameter.format(slack.high)}"
    if slack.is_high_open:
        return f"anything from {parameter.format(slack.low)} on"
    return _interval(parameter, slack.low, slack.high)


def _interval(parameter: Parameter, low: float, high: float) -> str:
    """Print an interval."""
    texts = parameter.format(low), parameter.format(high)
    return f"only {texts[0]}" if texts[0] == texts[1] else f"{texts[0]} to {texts[1]}"
