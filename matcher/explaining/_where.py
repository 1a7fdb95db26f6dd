"""Where in time and frequency a sound differs from the target.

Attack, body and release are the stretches that a programmer listens to one by one: the first
150 ms, as in the onset part of the loss, the rest of the held note, and what follows it. The
limits of the bands are those of a mixing desk: common practice, no source.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import PARTS
from matcher.losses.note_target import MOVEMENT_WINDOW, ONSET_S
from matcher.losses.windows import WindowBuffers

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matcher.losses import NoteTarget
    from shared import Float32Array, FloatArray, Note

    BoolArray = np.ndarray[tuple[int, ...], np.dtype[np.bool_]]

__all__: list[str] = []

TIMES = {
    "attack": "the first 150 ms, at most half of the held note",
    "body": "from there until the key is let go",
    "release": "after the key is let go",
}
_EDGES_HZ = (0.0, 250.0, 1000.0, 4000.0, np.inf)
BANDS = {
    "lows": "below 250 Hz",
    "low mids": "250 Hz to 1 kHz",
    "high mids": "1 to 4 kHz",
    "highs": "above 4 kHz",
}
# Bands this far under the loudest one of target and candidate are left out.
_RANGE_DB = 60.0
_SCALE_DB = next(part.scale for part in PARTS if part.name == "spectrum_db")


@dataclass(frozen=True, eq=False)
class Differences:
    """Mean differences from the target in audible steps.

    Parameters
    ----------
    cells : np.ndarray, shape=(3, 4)
        Within each stretch of time and band.
    times : np.ndarray, shape=(3,)
        Within each stretch of time.
    bands : np.ndarray, shape=(4,)
        Within each band.
    """

    cells: FloatArray
    times: FloatArray
    bands: FloatArray


class NoteMap:
    """Tells where sounds differ from one note of the target.

    Parameters
    ----------
    target : NoteTarget
        The note as the losses know it.
    note : Note
        What is played.
    """

    def __init__(self, target: NoteTarget, note: Note) -> None:
        window = target.windows[MOVEMENT_WINDOW]
        self._target = target
        self._buffers = WindowBuffers(window)
        self._placed = np.zeros(target.n_placed + target.n_behind, np.float32)
        plan, rate = window.plan, target.sample_rate_hz
        frames_s = np.arange(plan.n_frames) * plan.hop / rate
        attack_s = min(ONSET_S, note.gate_s / 2.0)
        self._times = [
            frames_s < attack_s,
            (frames_s >= attack_s) & (frames_s < note.gate_s),
            frames_s >= note.gate_s,
        ]
        middles_hz = (window.bands.starts + window.bands.ends - 1) / 2.0 * rate / plan.n_fft
        self._bands = [
            (middles_hz >= low) & (middles_hz < high)
            for low, high in itertools.pairwise(_EDGES_HZ)
        ]
        self._wanted = window.levels

    def differences(self, sound: FloatArray, other: FloatArray) -> tuple[Differences, Differences]:
        """Compare two sounds with the target, over what any of the three has.

        Parameters
        ----------
        sound, other : np.ndarray, shape=(n_signal,)
            On the timeline and at the level of the target.

        Returns
        -------
        tuple of Differences
            Those of the first sound, and those of the other one.
        """
        levels = [self._levels(one) for one in (sound, other)]
        every = np.maximum(np.maximum(levels[0], levels[1]), self._wanted)
        counts = every > every.max() - _RANGE_DB
        return (
            self._mean(np.abs(levels[0] - self._wanted), counts),
            self._mean(np.abs(levels[1] - self._wanted), counts),
        )

    def _mean(self, gaps: FloatArray, counts: BoolArray) -> Differences:
        """Average gaps in dB over stretches and bands."""

        def mean(chosen: BoolArray) -> float:
            mask = counts & chosen
            return float(gaps[mask].mean()) / _SCALE_DB if mask.any() else 0.0

        every = np.ones_like(counts)
        return Differences(
            np.array([[mean(t[:, None] & b[None, :]) for b in self._bands] for t in self._times]),
            np.array([mean(t[:, None] & every) for t in self._times]),
            np.array([mean(b[None, :] & every) for b in self._bands]),
        )

    def _levels(self, sound: FloatArray) -> FloatArray:
        """Return the band levels of a sound in dB, shape (n_frames, n_bands)."""
        place_on_lead(self._target, sound, self._placed)
        return self._buffers.analyse(self._placed, 1.0)[0].astype(np.float64)


def rises(
    maps: Sequence[NoteMap], sounds: Sequence[FloatArray], others: Sequence[FloatArray]
) -> tuple[Mapping[str, float], Mapping[str, float], Mapping[str, Mapping[str, float]]]:
    """Say by how much sounds are further from the target than others, by time and band."""
    pairs = [
        note_map.differences(sound, other)
        for note_map, sound, other in zip(maps, sounds, others, strict=True)
    ]
    cells = np.mean([a.cells - b.cells for a, b in pairs], axis=0)
    times = np.mean([a.times - b.times for a, b in pairs], axis=0)
    bands = np.mean([a.bands - b.bands for a, b in pairs], axis=0)
    return (
        dict(zip(TIMES, times.tolist(), strict=True)),
        dict(zip(BANDS, bands.tolist(), strict=True)),
        {
            name: dict(zip(BANDS, row, strict=True))
            for name, row in zip(TIMES, cells.tolist(), strict=True)
        },
    )


def place_on_lead(target: NoteTarget, sound: FloatArray, placed: Float32Array) -> None:
    """Put a sound on the target's timeline where the windows of the loss expect it."""
    first = max(target.source_onset - target.lead, 0)
    piece = sound[first:]
    at = target.lead - (target.source_onset - first)
    placed[:] = 0.0
    placed[at : at + len(piece)] = piece
