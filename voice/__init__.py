"""Sound out of parameters: oscillators, filters, envelopes, LFOs, and the structures they form.

`render` and `render_batch` play notes of whole patches; `voice.parts` has every part as a function
of its own, on the same kernels, for tests, plots and notebooks.
"""

from __future__ import annotations

from voice.panel import Control, Controller, PanelScale
from voice.render import DEFAULT_PHASES, NoteRenderer, render, render_batch
from voice.structure import (
    Mistake,
    Structure,
    check_structure,
    list_structures,
    load_structure,
    write_new_structure,
)

__all__ = [
    "DEFAULT_PHASES",
    "Control",
    "Controller",
    "Mistake",
    "NoteRenderer",
    "PanelScale",
    "Structure",
    "check_structure",
    "list_structures",
    "load_structure",
    "render",
    "render_batch",
    "write_new_structure",
]
