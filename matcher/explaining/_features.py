"""Sounds as long rows of numbers, so that what a control changes can be told as a direction.

The loss is a sum of absolute differences over the same numbers: band levels over all window
sizes, band levels at the onset, level over time, slow pitch. Here they stand side by side, each
divided so that the sum of absolute differences is about the loss.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.explaining._where import place_on_lead
from matcher.losses import PARTS
from matcher.losses.note_target import MOVEMENT_WINDOW
from matcher.losses.windows import WindowBuffers
from voice import NoteRenderer

if TYPE_CHECKING:
    from matcher.explaining._ground import Ground
    from matcher.losses import NoteTarget
    from shared import Float32Array, FloatArray

__all__: list[str] = []

_LANES = 16
# Every other window size tells directions as well as all six do, in half the time.
_WINDOWS = (0, MOVEMENT_WINDOW, 4)
_SCALE = {part.name: part.scale for part in PARTS}
_ENVELOPE_STEP_S = 0.005
_FLOOR = 1e-12


class FeatureReader:
    """Reads the features of candidates, all notes one after the other.

    Parameters
    ----------
    ground : Ground
        The patch with its target.
    """

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._notes = [_NoteFeatures(target) for target in ground.targets]
        self._renderers = [
            NoteRenderer(
                note,
                n_samples=target.n_render,
                sample_rate_hz=target.sample_rate_hz,
                seed=ground.evaluator.seed,
            )
            for note, target in zip(ground.evaluator.notes, ground.targets, strict=True)
        ]
        self.wanted = np.concatenate(
            [
                reader.read(note.signal)
                for reader, note in zip(self._notes, ground.target.notes, strict=True)
            ]
        )

    def read(self, vectors: FloatArray) -> Float32Array:
        """Read the features of candidates, shape (n_candidates, n_features)."""
        return np.concatenate([self._read_note(i, vectors) for i in range(len(self._notes))], 1)

    def _read_note(self, i_note: int, vectors: FloatArray) -> Float32Array:
        """Render one note of all candidates and read it."""
        problem, target = self._ground.problem, self._ground.targets[i_note]
        values, phases = problem.values(vectors), problem.phases(vectors, i_note)
        rows = []
        for first in range(0, len(vectors), _LANES):
            part = slice(first, first + _LANES)
            group = self._renderers[i_note].render(values[part], phases[part])
            for lane in range(len(values[part])):
                sound = target.place(np.ascontiguousarray(group[:, lane]))
                rows.append(self._notes[i_note].read(sound))
        return np.array(rows)


class _NoteFeatures:
    """Reads the features of placed sounds of one note, in buffers of its own."""

    def __init__(self, target: NoteTarget) -> None:
        self._target = target
        self._windows: list[tuple[WindowBuffers, float]] = [
            (WindowBuffers(target.windows[i]), _SCALE["spectrum_db"] * len(_WINDOWS))
            for i in _WINDOWS
        ]
        self._windows.append((WindowBuffers(target.onset), _SCALE["onset_spectrum_db"]))
        self._movement = target.make_movement()
        self._n_step = max(1, round(_ENVELOPE_STEP_S * target.sample_rate_hz))
        self._placed = np.zeros(target.n_placed + target.n_behind, np.float32)

    def read(self, sound: FloatArray) -> Float32Array:
        """Read a sound on the target's timeline and at its level, shape (n_features,)."""
        place_on_lead(self._target, sound, self._placed)
        rows = []
        for buffers, scale in self._windows:
            levels, _ = buffers.analyse(self._placed, 1.0)
            rows.append(levels.ravel() / (scale * levels.size))
        levels_db = self._levels_db()
        rows.append(levels_db / (_SCALE["envelope_db"] * levels_db.size))
        levels = self._windows[_WINDOWS.index(MOVEMENT_WINDOW)][0].levels
        cents = self._movement.measure(levels, self._placed).slow_cents
        rows.append(cents / (_SCALE["slow_pitch_cents"] * cents.size))
        return np.concatenate(rows).astype(np.float32)

    def _levels_db(self) -> FloatArray:
        """Level over time in dB, at most 60 dB under its peak."""
        held = self._placed[self._target.lead :].astype(np.float64)
        n_steps = len(held) // self._n_step
        power = np.mean(held[: n_steps * self._n_step].reshape(n_steps, -1) ** 2, axis=1)
        floor = 1e-6 * float(power.max(initial=_FLOOR))
        levels: FloatArray = 10.0 * np.log10(power + floor)
        return levels
