"""The single differences behind a score, for searches that learn from more than one number.

A loss is a weighted sum of many absolute differences, most of them of one band in one frame. A
search that knows how each of them answers to each parameter gets to the bottom of a valley in a
few steps (`matcher.optimise.descent`). Spectral convergence, the one part that isn't such a sum,
is left out here; it stays in the loss that decides.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.losses.terms import PARTS, part_weights

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.losses.note_target import NoteTarget
    from shared import Float32Array

__all__ = ["residual_strides", "residual_weights"]

# Differences are counted in these steps, in the unit of their part. Below one step a difference
# counts by its square: nobody hears it, and a sum of absolute values has corners there.
STEPS: Mapping[str, float] = {
    "spectrum_db": 1.0,
    "onset_spectrum_db": 1.0,
    "onset_flux_db": 0.3,
    "attack_octaves": 0.1,
    "envelope_db": 0.5,
    "band_movement_db": 0.2,
    "pitch_movement_cents": 0.5,
    "slow_pitch_cents": 2.0,
}
# More differences than this say nothing new about sixty parameters, and each costs memory for
# each parameter: long notes give every second frame, or every third.
MOST_OF_A_WINDOW = 16_000


def residual_strides(target: NoteTarget) -> tuple[int, ...]:
    """Say which frames of each window count: every first, second, third ...

    Parameters
    ----------
    target : NoteTarget
        The note.

    Returns
    -------
    tuple of int >= 1
        One stride for each window size.
    """
    return tuple(max(1, -(-window.levels.size // MOST_OF_A_WINDOW)) for window in target.windows)


def residual_weights(
    target: NoteTarget, weights: Mapping[str, float] | None, n_notes: int
) -> Float32Array:
    """Weigh the differences of one note, so that they add up to its share of the loss.

    Parameters
    ----------
    target : NoteTarget
        The note.
    weights : mapping of str to float, optional
        Weights of the loss terms, as for `totals`.
    n_notes : int >= 1
        Number of notes that share the loss.

    Returns
    -------
    np.ndarray, shape=(n_differences,), dtype=float32
        Weights of the differences in steps, in the order of `NoteScorer.residuals`.
    """
    of_part = dict(
        zip((part.name for part in PARTS), part_weights(weights or {}) / n_notes, strict=True)
    )
    strides = residual_strides(target)
    groups: list[tuple[str, int, float]] = [
        ("spectrum_db", window.levels[::stride].size, 1.0 / len(target.windows))
        for window, stride in zip(target.windows, strides, strict=True)
    ]
    movement = target.movement
    groups += [
        ("onset_spectrum_db", target.onset.levels.size, 1.0),
        ("onset_flux_db", target.onset_flux.size, 1.0),
        ("attack_octaves", len(target.attack_hops), 1.0),
        ("envelope_db", target.envelope.size, 1.0),
        ("band_movement_db", movement.bands.size, 1.0),
        ("pitch_movement_cents", movement.pitch.size, 1.0),
        ("slow_pitch_cents", movement.slow_cents.size, 1.0),
    ]
    return np.concatenate(
        [
            np.full(size, of_part[name] * STEPS[name] * share / max(size, 1), np.float32)
            for name, size, share in groups
        ]
    )
