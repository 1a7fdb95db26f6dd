"""From a recording of the wanted sound to a patch.

The names below are loaded when they are first used, so that ``import matcher`` and the command
line's help cost nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matcher.leave_out import match_leaving_out
    from matcher.matching import match
    from matcher.result import LeftOutNote, MatchResult, NoteMatch
    from matcher.run_folder import RunFolder, load_run, save_run
    from matcher.target import Target, TargetNote, load_target, target_from_signal

__all__ = [
    "LeftOutNote",
    "MatchResult",
    "NoteMatch",
    "RunFolder",
    "Target",
    "TargetNote",
    "load_run",
    "load_target",
    "match",
    "match_leaving_out",
    "save_run",
    "target_from_signal",
]

_HOMES = {
    "LeftOutNote": "matcher.result",
    "MatchResult": "matcher.result",
    "NoteMatch": "matcher.result",
    "RunFolder": "matcher.run_folder",
    "Target": "matcher.target",
    "TargetNote": "matcher.target",
    "load_run": "matcher.run_folder",
    "load_target": "matcher.target",
    "match": "matcher.matching",
    "match_leaving_out": "matcher.leave_out",
    "save_run": "matcher.run_folder",
    "target_from_signal": "matcher.target",
}


def __getattr__(name: str) -> object:
    """Load a public name on first use (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module 'matcher' has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value
