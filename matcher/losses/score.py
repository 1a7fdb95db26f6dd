"""Scores of candidates against one note of a target.

Conventions: a candidate is placed so that its onset (first crossing of -40 dB under the peak of
a 1 ms level) meets that of the target, and scaled to the target's energy, so absolute level is
never seen. Both go through the same code; the target against itself gives exactly 0.

Measures (columns of a score, `matcher.losses.terms.PARTS`): mean difference in dB of mel band
levels and spectral convergence over windows of 4096 to 128 samples; the same difference over
256-sample windows every 64 samples in the first 150 ms, the difference of the onset strength
there, and of the log attack time; the mean difference of the level over time; differences of
movement (`matcher.losses.movement`).

References
----------
.. [1] S. Ö. Arik, H. Jun and G. Diamos, "Fast Spectrogram Inversion Using Multi-Head
   Convolutional Neural Networks", IEEE Signal Processing Letters 26, 2019 (spectral convergence
   and log magnitude over several windows).
.. [2] S. Böck and G. Widmer, "Maximum Filter Vibrato Suppression for Onset Detection", DAFx
   2013 (spectral flux as onset strength).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import _kernels as kernels
from matcher.losses.note_target import (
    ENVELOPE_HOP,
    MOVEMENT_WINDOW,
    NoteTarget,
)
from matcher.losses.onset import SILENT_HOPS, find_onset
from matcher.losses.residuals import STEPS, residual_strides
from matcher.losses.windows import WindowBuffers

if TYPE_CHECKING:
    from shared import Float32Array, FloatArray

__all__ = ["NoteScorer"]


class NoteScorer:
    """Scores groups of candidates of one note in buffers of its own; one for each thread.

    Parameters
    ----------
    target : NoteTarget
        The note to score against.
    """

    def __init__(self, target: NoteTarget) -> None:
        self.target = target
        self._rows = np.zeros((1, 1), np.float32)
        self._powers = np.empty(SILENT_HOPS + target.n_render // target.hop, np.float32)
        self._placed_powers = np.empty(
            (target.n_placed + target.n_behind) // target.hop, np.float32
        )
        self._windows = [WindowBuffers(window) for window in target.windows]
        self._onset = WindowBuffers(target.onset)
        self._movement = target.make_movement()
        self._found_movement = target.movement
        self._flux = np.empty_like(target.onset_flux)
        self._envelope = np.empty_like(target.envelope)
        self._attacks: tuple[float, ...] = target.attack_hops
        self._strides = residual_strides(target)

    def score(
        self, group: Float32Array, n_candidates: int, residuals: Float32Array | None = None
    ) -> FloatArray:
        """Measure how candidates differ from the target.

        Parameters
        ----------
        group : np.ndarray, shape=(target.n_render, n_lanes), dtype=float32
            Sounds from note start on, one candidate per column.
        n_candidates : int, 1 <= n_candidates <= n_lanes
            How many columns to score.
        residuals : np.ndarray, shape=(n_candidates, n_differences), dtype=float32, optional
            If given, filled with the single differences behind the scores, in the steps and in
            the order of `matcher.losses.residuals`.

        Returns
        -------
        np.ndarray, shape=(n_candidates, len(PARTS)), dtype=float64
            Differences in the units of `PARTS`.
        """
        t = self.target
        n_row = t.lead + t.n_render + t.n_placed + t.n_behind
        if self._rows.shape != (group.shape[1], n_row):
            self._rows = np.zeros((group.shape[1], n_row), np.float32)
        kernels.by_candidate(group, t.lead, self._rows)
        scores = []
        for i in range(n_candidates):
            scores.append(self._score_row(self._rows[i]))
            if residuals is not None:
                self._write_residuals(residuals[i])
        return np.array(scores)

    def _score_row(self, row: Float32Array) -> list[float]:
        """Score one candidate, a row that starts with `lead` zeros."""
        t = self.target
        padded = row[t.lead - SILENT_HOPS * t.hop : t.lead + t.n_render]
        onset = min(find_onset(padded, t.hop, self._powers), t.n_render - t.n_after)
        placed = row[onset : onset + t.n_placed + t.n_behind]
        placed[t.lead + t.n_after :] = 0.0  # the target has nothing after its end either
        loudness = kernels.energy(placed[: t.lead + t.n_after])
        gain = (t.energy / loudness) ** 0.5 if loudness > 0.0 else 0.0
        return [
            *self._spectral_differences(placed, gain),
            *self._onset_differences(placed, gain),
            *self._level_differences(placed, gain),
            *self._movement_differences(placed),
        ]

    def _spectral_differences(self, placed: Float32Array, gain: float) -> tuple[float, float]:
        """Mean band difference in dB and spectral convergence, means over the window sizes."""
        differences, converged = [], []
        for buffers in self._windows:
            levels, amplitudes = buffers.analyse(placed, gain)
            differences.append(kernels.mean_difference(levels, buffers.window.levels))
            converged.append(kernels.convergence(amplitudes, buffers.window.amplitudes))
        return float(np.mean(differences)), float(np.mean(converged))

    def _onset_differences(self, placed: Float32Array, gain: float) -> tuple[float, float]:
        """Mean band difference and mean difference of the onset strength at the onset, in dB."""
        levels, _ = self._onset.analyse(placed, gain)
        kernels.flux(levels, self._flux)
        return (
            kernels.mean_difference(levels, self.target.onset.levels),
            kernels.mean_difference(self._flux[None, :], self.target.onset_flux[None, :]),
        )

    def _movement_differences(self, placed: Float32Array) -> tuple[float, float, float]:
        """Differences of movement: bands in dB, pitch in cents; and of the slow pitch in cents."""
        wanted = self.target.movement
        levels = self._windows[MOVEMENT_WINDOW].levels
        found = self._found_movement = self._movement.measure(levels, placed)
        return (
            _mean_gap(found.bands, wanted.bands),
            _mean_gap(found.pitch, wanted.pitch),
            _mean_gap(found.slow_cents, wanted.slow_cents),
        )

    def _level_differences(self, placed: Float32Array, gain: float) -> tuple[float, float]:
        """Octaves between the attack times, and mean difference of the levels over time in dB."""
        t = self.target
        kernels.short_powers(placed, t.hop, self._placed_powers)
        kernels.envelope_levels(
            self._placed_powers, t.envelope_start, ENVELOPE_HOP, gain, t.envelope_floor,
            self._envelope,
        )  # fmt: skip
        # One millisecond (four hops) more on both sides: below that no ear tells attacks apart.
        self._attacks = t.measure_attacks(self._placed_powers)
        octaves = np.mean(np.abs(self._attack_octaves()))
        level = kernels.mean_difference(self._envelope[None, :], t.envelope[None, :])
        return float(octaves), level

    def _attack_octaves(self) -> list[float]:
        """Attack times against those of the target, in octaves."""
        return [
            math.log2((hops + 4.0) / (wanted + 4.0))
            for hops, wanted in zip(self._attacks, self.target.attack_hops, strict=True)
        ]

    def _write_residuals(self, out: Float32Array) -> None:
        """Write the differences of the candidate that was scored last."""
        t, found = self.target, self._found_movement
        wanted = t.movement
        differences: list[tuple[str, Float32Array | FloatArray]] = [
            ("spectrum_db", buffers.levels[::stride] - buffers.window.levels[::stride])
            for buffers, stride in zip(self._windows, self._strides, strict=True)
        ]
        differences += [
            ("onset_spectrum_db", self._onset.levels - t.onset.levels),
            ("onset_flux_db", self._flux - t.onset_flux),
            ("attack_octaves", np.array(self._attack_octaves())),
            ("envelope_db", self._envelope - t.envelope),
            ("band_movement_db", found.bands - wanted.bands),
            ("pitch_movement_cents", found.pitch - wanted.pitch),
            ("slow_pitch_cents", found.slow_cents - wanted.slow_cents),
        ]
        end = 0
        for name, difference in differences:
            begin, end = end, end + difference.size
            out[begin:end] = difference.ravel()
            out[begin:end] *= np.float32(1.0 / STEPS[name])


def _mean_gap(a: FloatArray | Float32Array, b: FloatArray | Float32Array) -> float:
    """Mean absolute difference; 0 where there is nothing to compare."""
    return float(np.mean(np.abs(a - b))) if a.size else 0.0
