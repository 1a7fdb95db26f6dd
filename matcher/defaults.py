"""Defaults that the command line and Python share; this module imports nothing."""

from __future__ import annotations

__all__ = ["DEFAULT_SECONDS", "DEFAULT_STRUCTURE", "WHOLE_VOICE"]

# What players have in front of them: parts that few instruments have are found by "complete" only.
DEFAULT_STRUCTURE = "standard"
# A structure without links that has every part, and plays the values of any patch as they are.
WHOLE_VOICE = "complete"
DEFAULT_SECONDS = 30.0
