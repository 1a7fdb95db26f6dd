"""Every code that a run may hold has its words."""

from __future__ import annotations

from typing import get_args

from matcher.optimise import StopReason
from matcher.texts.words import STOP_REASONS, stop_reason_text


def test_every_reason_for_an_end_has_words() -> None:
    """A callback that ends a search is kept as "stopped"; Ctrl-C is "interrupted"."""
    returned = set(get_args(StopReason)) - {"callback"} | {"stopped", "interrupted"}
    assert set(STOP_REASONS) == returned
    assert stop_reason_text("converged").startswith("It ended because the search has converged")
    assert stop_reason_text(None) == ""
