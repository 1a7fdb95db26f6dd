"""Sound out of parameters: oscillators, filters, envelopes, LFOs, and the structures they form.

`render` and `render_batch` play notes of whole patches. Every part is also a function of its
own, which runs the same kernels: for tests, plots and notebooks.
"""

from __future__ import annotations

from voice.controller import Controller
from voice.envelopes import adsr_level, pitch_envelope_cents
from voice.filters import body_resonance, drive, filter_bank, highpass, lowpass
from voice.lfo import filter_lfo_octaves, pulse_width_ratio, vibrato_cents
from voice.new_structure import write_new_structure
from voice.oscillators import oscillator, white_noise
from voice.panel import Control, PanelScale
from voice.render import DEFAULT_PHASES, NoteRenderer, render, render_batch
from voice.structure import (
    Mistake,
    Structure,
    check_structure,
    list_structures,
    load_structure,
)

__all__ = [
    "DEFAULT_PHASES",
    "Control",
    "Controller",
    "Mistake",
    "NoteRenderer",
    "PanelScale",
    "Structure",
    "adsr_level",
    "body_resonance",
    "check_structure",
    "drive",
    "filter_bank",
    "filter_lfo_octaves",
    "highpass",
    "list_structures",
    "load_structure",
    "lowpass",
    "oscillator",
    "pitch_envelope_cents",
    "pulse_width_ratio",
    "render",
    "render_batch",
    "vibrato_cents",
    "white_noise",
    "write_new_structure",
]
