"""The score of a single sound against a note."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import NoteScorer

if TYPE_CHECKING:
    from matcher.losses import NoteTarget
    from shared import FloatArray

__all__ = ["score"]


def score(target: NoteTarget, sound: FloatArray) -> FloatArray:
    """Score one sound, cut or continued with silence to the length that is asked for."""
    group = np.zeros((target.n_render, 1), np.float32)
    n_samples = min(len(sound), target.n_render)
    group[:n_samples, 0] = sound[:n_samples]
    return NoteScorer(target).score(group, 1)[0]
