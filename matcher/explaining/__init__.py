"""What mattered in a match: which parts, where, how exactly, and in which order to set them."""

from __future__ import annotations

from matcher.explaining.how_to_set import (
    BuildOrder,
    BuildStep,
    ProfilePoint,
    Slack,
    SlackOfPatch,
    TradeOff,
)
from matcher.explaining.model import Explanation
from matcher.explaining.what_mattered import (
    Importance,
    Interactions,
    PartEffect,
    PartsInPatch,
    SearchImportance,
    StandIn,
)

__all__ = [
    "BuildOrder",
    "BuildStep",
    "Explanation",
    "Importance",
    "Interactions",
    "PartEffect",
    "PartsInPatch",
    "ProfilePoint",
    "SearchImportance",
    "Slack",
    "SlackOfPatch",
    "StandIn",
    "TradeOff",
]
