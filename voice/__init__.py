"""Sound out of parameters: oscillators, filters, envelopes, LFOs, and the structures they form."""

from __future__ import annotations

from voice.render import DEFAULT_PHASES, NoteRenderer, render, render_batch
from voice.structure import Structure, list_structures, load_structure

__all__ = [
    "DEFAULT_PHASES",
    "NoteRenderer",
    "Structure",
    "list_structures",
    "load_structure",
    "render",
    "render_batch",
]
