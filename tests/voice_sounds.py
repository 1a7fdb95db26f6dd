"""Short ways to play the voice in tests."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shared import CATALOGUE, PHASE_NAMES, FloatArray, Note
from voice import NoteRenderer, render_batch

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["SAMPLE_RATE_HZ", "play", "play_with_controls", "row_of"]

SAMPLE_RATE_HZ = 44_100
NO_PHASES = (0.0,) * len(PHASE_NAMES)


def row_of(values: Mapping[str, float]) -> FloatArray:
    """Return values as one candidate; what is left out stands at neutral."""
    complete = {**CATALOGUE.neutral(), **CATALOGUE.validate(values)}
    return np.array([complete[name] for name in CATALOGUE.names])


def play(
    values: Mapping[str, float],
    *,
    note: Note,
    n_samples: int,
    sample_rate_hz: int = SAMPLE_RATE_HZ,
    phases: tuple[float, ...] = NO_PHASES,
) -> FloatArray:
    """Render one candidate in float64, (n_samples,), with all phases at 0 if not given."""
    sounds = render_batch(
        row_of(values), note, n_samples=n_samples, sample_rate_hz=sample_rate_hz, phases=phases
    )
    return sounds[0].astype(np.float64)


def play_with_controls(
    values: Mapping[str, float], *, note: Note, n_samples: int
) -> tuple[FloatArray, FloatArray]:
    """Render one candidate, and tell what moved it."""
    renderer = NoteRenderer(note, n_samples=n_samples, sample_rate_hz=SAMPLE_RATE_HZ)
    sound = renderer.render(row_of(values)[None, :], np.array([NO_PHASES]))[:, 0]
    return sound.astype(np.float64), renderer._controls[:, :, 0].astype(np.float64)
