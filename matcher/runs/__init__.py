"""What is kept of a run: its folder, every good state of the patch, its searches, and its lock.

::

    runs/horn/
        patch.json                  the current state, the one with the highest number
        versions/0001.json          the start
        versions/0002.json          the end of a stage, ...
        versions/0012.json          what the match ended with
        versions/0013.json          a refinement, a value set by hand, a step back, ...
        versions/kept/softer.json   a name given to one of them

Each version is one JSON file with the whole patch, so any of them can be taken out and played.
The folder only grows: going back adds a version that equals the earlier one. Nothing here
searches; `matcher.saving` leads matches and refinements through it.
"""

from __future__ import annotations

from matcher.runs.updating import go_back, keep_version, shorten
from matcher.runs.versions import (
    PatchChange,
    Version,
    compare_patches,
    find_version,
    list_versions,
)

__all__ = [
    "PatchChange",
    "Version",
    "compare_patches",
    "find_version",
    "go_back",
    "keep_version",
    "list_versions",
    "shorten",
]
