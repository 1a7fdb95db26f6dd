"""Values into the arrays of the kernels: one candidate per lane.

The rows are those of `voice.control_kernels` and `voice.setting_kernels`, which numba has to load
first, so those modules are imported by the functions.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shared import CATALOGUE, Float32Array, midi_to_hz

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import Note

__all__: list[str] = []

LANES = 16
CYCLE = 2.0**32  # what the kernels count as one cycle
CONTROL_RATE_HZ = 44_100 / 16
REFERENCE_VELOCITY = 100
C4 = 60.0


def block_length(sample_rate_hz: int) -> int:
    """Return the samples from one set of control values to the next, about 0.36 ms."""
    return max(4, round(sample_rate_hz / CONTROL_RATE_HZ))


def pack_note(note: Note, sample_rate_hz: int) -> Float32Array:
    """Return what `voice.control_kernels.render_controls` knows of a note, (5,)."""
    key_hz = midi_to_hz(note.midi_pitch)
    return np.array(
        [
            np.log2(key_hz),
            (note.midi_pitch - C4) / 12.0,
            (note.velocity - REFERENCE_VELOCITY) / (REFERENCE_VELOCITY - 1),
            np.log2(sample_rate_hz),
            key_hz / sample_rate_hz * CYCLE,
        ],
        dtype=np.float32,
    )


def pack_values(values: Mapping[str, float]) -> Float32Array:
    """Return the parameter matrix, (91, LANES), all lanes alike; the rest is at neutral."""
    column = [{**CATALOGUE.neutral(), **values}[name] for name in CATALOGUE.names]
    return np.repeat(np.array(column, dtype=np.float32)[:, None], LANES, axis=1)


def empty_settings() -> Float32Array:
    """Return a matrix for the settings, (N_SETTINGS, LANES)."""
    from voice.setting_kernels import N_SETTINGS  # noqa: PLC0415  numba loads here

    return np.empty((N_SETTINGS, LANES), np.float32)


def empty_controls(n_blocks: int) -> Float32Array:
    """Return a matrix for the controls at the edges of blocks, (n_blocks + 1, ..., LANES)."""
    from voice.control_kernels import N_CONTROLS  # noqa: PLC0415  numba loads here

    return np.zeros((n_blocks + 1, N_CONTROLS, LANES), np.float32)
