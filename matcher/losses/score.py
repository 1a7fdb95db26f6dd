"""Scores of candidates against one note of a target, and the single differences behind them.

A candidate is placed so that its onset meets that of the target (`matcher.losses.note_target`),
and scaled to the target's energy, so absolute level is never seen. The target against itself
gives exactly 0.

Measures (columns of a score, `matcher.losses.terms.PARTS`): mean difference in dB of mel band
levels and spectral convergence [1]_ over windows of 4096 to 128 samples; the same difference over
256-sample windows every 64 samples in the first 150 ms, the difference of the onset strength [2]_
there, and of the log attack time; the mean difference of the level over time; differences of
movement (`matcher.losses.movement`).

A loss is a weighted sum of many absolute differences, most of them of one band in one frame. A
search that knows how each of them answers to each parameter gets to the bottom of a valley in a
few steps (`matcher.optimise.gauss_newton`). Spectral convergence, the one part that isn't such a
sum, is left out there; it stays in the loss that decides.

References
----------
.. [1] S. Ö. Arik, H. Jun and G. Diamos, "Fast Spectrogram Inversion Using Multi-Head
   Convolutional Neural Networks", IEEE Signal Processing Letters 26, 2019 (spectral convergence
   and log magnitude over several windows).
.. [2] S. Böck and G. Widmer, "Maximum Filter Vibrato Suppression for Onset Detection", DAFx
   2013 (spectral flux as onset strength).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import kernels
from matcher.losses.note_target import ENVELOPE_HOP, MOVEMENT_WINDOW, SILENT_HOPS, find_onset
from matcher.losses.terms import PARTS, Measures, part_weights
from matcher.losses.windows import WindowBuffers

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.losses.note_target import NoteTarget
    from shared import Float32Array, FloatArray

__all__ = ["NoteScorer", "residual_weights"]

# More differences than this say nothing new about sixty parameters, and each costs memory for
# each parameter: long notes give every second frame, or every third.
MOST_OF_AN_ARRAY = 16_000


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
        self._flux = np.empty_like(target.measures.onset_flux)
        self._envelope = np.empty_like(target.measures.envelope)

    def score(
        self,
        group: Float32Array,
        n_candidates: int,
        residuals: Float32Array | None = None,
        places: FloatArray | None = None,
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
            the order of `PARTS`.
        places : np.ndarray, shape=(n_candidates,), optional
            Places on the timeline in cycles of 20 ms, 0 where onsets meet.

        Returns
        -------
        np.ndarray, shape=(n_candidates, len(PARTS)), dtype=float64
            Differences in the units of `PARTS`.
        """
        t = self.target
        lead = t.n_earlier + t.lead
        n_row = lead + t.n_render + t.n_placed + t.n_behind
        if self._rows.shape != (group.shape[1], n_row):
            self._rows = np.zeros((group.shape[1], n_row), np.float32)
        kernels.by_candidate(group, lead, self._rows)
        scores = []
        for i in range(n_candidates):
            later = 0 if places is None else t.samples_later(float(places[i]))
            found = self._measure(self._rows[i], later)
            scores.append([part.measure(found, t.measures) for part in PARTS])
            if residuals is not None:
                _write_residuals(found, t.measures, residuals[i])
        return np.array(scores)

    def _measure(self, row: Float32Array, later: int) -> Measures:
        """Measure one candidate, a row that starts with zeros, into the buffers."""
        t = self.target
        lead = t.n_earlier + t.lead
        padded = row[lead - SILENT_HOPS * t.hop : lead + t.n_render]
        onset = min(find_onset(padded, t.hop, self._powers), t.n_render - t.n_after)
        first = t.n_earlier + onset - later
        placed = row[first : first + t.n_placed + t.n_behind]
        placed[t.lead + t.n_after :] = 0.0  # the target has nothing after its end either
        loudness = kernels.energy(placed[: t.lead + t.n_after])
        gain = (t.energy / loudness) ** 0.5 if loudness > 0.0 else 0.0
        levels, amplitudes = zip(
            *(buffers.analyse(placed, gain) for buffers in self._windows), strict=True
        )
        onset_levels, _ = self._onset.analyse(placed, gain)
        kernels.flux(onset_levels, self._flux)
        kernels.short_powers(placed, t.hop, self._placed_powers)
        kernels.envelope_levels(
            self._placed_powers, t.envelope_start, ENVELOPE_HOP, gain, t.envelope_floor,
            self._envelope,
        )  # fmt: skip
        return Measures(
            levels=levels,
            amplitudes=amplitudes,
            onset_levels=onset_levels,
            onset_flux=self._flux,
            attack_hops=t.measure_attacks(self._placed_powers),
            envelope=self._envelope,
            movement=self._movement.measure(levels[MOVEMENT_WINDOW], placed),
        )


def _write_residuals(found: Measures, wanted: Measures, out: Float32Array) -> None:
    """Write the single differences of a candidate, in steps."""
    end = 0
    for part in PARTS:
        if part.step is None:
            continue
        for a, b in part.compare(found, wanted):
            stride = frame_stride(b.size)
            difference = a[::stride] - b[::stride]
            begin, end = end, end + difference.size
            out[begin:end] = difference.ravel()
            out[begin:end] *= np.float32(1.0 / part.step)


def frame_stride(size: int) -> int:
    """Which frames of an array count: every first, second, third ..."""
    return max(1, -(-size // MOST_OF_AN_ARRAY))


def band_levels(
    target: NoteTarget, residuals: Float32Array, i_window: int
) -> tuple[Float32Array, Float32Array]:
    """Band levels over one window in dB, of candidates by their differences, and of the target.

    Shapes (n_candidates, n_frames, n_bands) and (n_frames, n_bands), the frames that count.
    """
    levels = [rows[:: frame_stride(rows.size)] for rows in target.measures.levels]
    first, wanted = sum(rows.size for rows in levels[:i_window]), levels[i_window]
    gaps = residuals[:, first : first + wanted.size].reshape(-1, *wanted.shape)
    return wanted + gaps, wanted


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
        Weights of the differences in steps, in the order of `NoteScorer.score`.
    """
    rows = []
    for part, weight in zip(PARTS, part_weights(weights or {}) / n_notes, strict=True):
        if part.step is None:
            continue
        pairs = part.compare(target.measures, target.measures)
        sizes = [wanted[:: frame_stride(wanted.size)].size for _, wanted in pairs]
        rows += [
            np.full(size, weight * part.step * (1.0 / len(sizes)) / max(size, 1), np.float32)
            for size in sizes
        ]
    return np.concatenate(rows)
