"""What mattered in a match: which parts, where, how exactly, and in which order to set them."""

from __future__ import annotations

from matcher.explaining.model import (
    BuildOrder,
    BuildStep,
    Explanation,
    Importance,
    Interactions,
    PartEffect,
    PartsInPatch,
    SearchImportance,
    Slack,
    SlackOfPatch,
    StandIn,
    TradeOff,
)

__all__ = [
    "BuildOrder",
    "BuildStep",
    "Explanation",
    "Importance",
    "Interactions",
    "PartEffect",
    "PartsInPatch",
    "SearchImportance",
    "Slack",
    "SlackOfPatch",
    "StandIn",
    "TradeOff",
]
