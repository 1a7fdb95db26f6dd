"""Levels between the notes of a target: what no note can tell alone.

The losses scale each candidate to the energy of its note, so absolute level is never seen. What a
target of several notes tells besides is how their levels differ: one gain, the fader, is common
to all notes, and what is left after it is the patch's.

Of the patch, one parameter answers for it alone: `amp_env.velocity_db` is a gain behind
everything else, `velocity_db * (velocity - 100) / 99` in dB, and changes nothing that a loss
hears. So it isn't searched. Given any candidate, the value that brings the levels between the
notes closest to the target's is a slope, found in closed form by least squares.

The slope is taken within keys where a key was recorded at several velocities, and over all notes
otherwise: levels of different keys differ by the body of an instrument, too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shared import FloatArray, Note

__all__ = ["velocity_slope_db"]

# Velocity 100 is the voice's reference, 1 the softest: see `amp_env.velocity_db`.
REFERENCE_VELOCITY = 100
VELOCITY_SPAN = 99


def velocity_slope_db(gains_db: FloatArray, notes: Sequence[Note]) -> float | None:
    """Say by how much `amp_env.velocity_db` has to change to set the levels between the notes.

    Parameters
    ----------
    gains_db : np.ndarray, shape=(n_notes,), dtype=float64
        Gain in dB that brings the patch, as it is, to the energy of each note.
    notes : sequence of Note
        Pitch and velocity of the notes.

    Returns
    -------
    float or None
        Change of the parameter in dB (least squares); None if the notes have one velocity.
    """
    drive = np.array([(note.velocity - REFERENCE_VELOCITY) / VELOCITY_SPAN for note in notes])
    keys = np.array([round(note.midi_pitch) for note in notes])
    within = [np.flatnonzero(keys == key) for key in np.unique(keys)]
    groups = [places for places in within if np.ptp(drive[places]) > 0.0]
    if not groups:
        groups = [np.arange(len(notes))]
    above = np.concatenate([drive[places] - drive[places].mean() for places in groups])
    louder = np.concatenate([gains_db[places] - gains_db[places].mean() for places in groups])
    power = float(above @ above)
    return float(above @ louder) / power if power > 0.0 else None
