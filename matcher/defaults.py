"""Defaults that the command line and Python share; this module imports nothing."""

from __future__ import annotations

__all__ = ["DEFAULT_SECONDS", "DEFAULT_STRUCTURE"]

# Every part of the voice: what can't be heard ends at neutral and is not printed.
DEFAULT_STRUCTURE = "complete"
DEFAULT_SECONDS = 30.0
