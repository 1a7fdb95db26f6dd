"""Scores of candidates against one note of a target.

Conventions: a candidate is placed so that its onset (first crossing of -40 dB under the peak of
a 1 ms level) meets that of the target, and scaled to the target's energy, so absolute level is
never seen. Both go through the same code; the target against itself gives exactly 0.

Measures (columns of a score, `matcher.losses.terms.PARTS`): mean difference in dB of mel band
levels and spectral convergence over windows of 4096 to 128 samples; the same difference over
256-sample windows every 64 samples in the first 150 ms, the difference of the onset strength
there, and of the log attack time; the mean difference of the level over time.

References
----------
.. [1] S. Ö. Arik, H. Jun and G. Diamos, "Fast Spectrogram Inversion Using Multi-Head
   Convolutional Neural Networks", IEEE Signal Processing Letters 26, 2019 (spectral convergence
   and log magnitude over several windows).
.. [2] S. Böck and G. Widmer, "Maximum Filter Vibrato Suppression for Onset Detection", DAFx
   2013 (spectral flux as onset strength).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import _kernels as kernels
from matcher.losses.bands import Bands, mel_bands
from matcher.losses.terms import PARTS
from shared import ParameterError

if TYPE_CHECKING:
    from shared import Float32Array, FloatArray

__all__ = ["NoteScorer", "NoteTarget"]

# Window size and hop in samples at 44.1 kHz, number of mel bands, highest frequency. The long
# windows tell the partials apart, which matters where the ear does so too; the short ones time.
WINDOWS = (
    (4096, 2048, 100, 5_000.0),
    (2048, 1024, 110, 16_000.0),
    (1024, 512, 72, 16_000.0),
    (512, 256, 48, 16_000.0),
    (256, 256, 30, 16_000.0),
    (128, 128, 18, 16_000.0),
)
ONSET_WINDOW = (256, 64, 40, 16_000.0)
ONSET_S = 0.15
ONSET_FRAMES_BEFORE = 2
LOWEST_HZ = 20.0
FLOOR_DB = -80.0
ENVELOPE_FLOOR_DB = -60.0
ENVELOPE_HOP = 20  # short powers: 5 ms
ONSET_DB = -40.0
# How much later than its note a candidate may set in: half a second of attack and more.
MARGIN_S = 0.06
ATTACK_LIMIT_S = 1.0
BASE_RATE_HZ = 44_100


@dataclass(frozen=True)
class _Window:
    """One window size with the target's bands in it."""

    shape: Float32Array
    hop: int
    start: int
    bands: Bands
    floor: float
    levels: Float32Array
    amplitudes: Float32Array


class NoteTarget:
    """What the losses know of one note of the target; immutable, shared by all threads.

    Parameters
    ----------
    signal : np.ndarray, shape=(n_samples,)
        The recorded note, trimmed, at least 50 ms of it after the onset.
    sample_rate_hz : int
        Sampling rate in Hz; candidates are rendered at the same.
    floor_db : float < 0
        Level under the loudest band below which nothing counts; raise it to the noise floor of
        a noisy recording.

    Raises
    ------
    ParameterError
        If the signal is silent, not finite, or has no 50 ms after its onset.
    """

    def __init__(
        self, signal: FloatArray, *, sample_rate_hz: int, floor_db: float = FLOOR_DB
    ) -> None:
        rows = np.asarray(signal, dtype=np.float32)
        if rows.ndim != 1 or not np.all(np.isfinite(rows)) or not np.any(rows):
            raise ParameterError(
                f"signal has shape {rows.shape}; finite samples of one channel, not all zero, "
                "are accepted.",
                name="signal",
            )
        self.sample_rate_hz = sample_rate_hz
        self.factor = 2.0 ** round(np.log2(sample_rate_hz / BASE_RATE_HZ))
        self.lead = self._samples(WINDOWS[0][0]) // 2
        self.hop = max(2, round(sample_rate_hz / 4000))
        onset = self._onset(rows)
        self.source_onset = onset
        self.n_signal = len(rows)
        self.n_after = len(rows) - onset
        if self.n_after < 0.05 * sample_rate_hz:
            raise ParameterError(
                f"signal has {1000 * self.n_after / sample_rate_hz:.0f} ms after its onset; "
                "50 ms and more are accepted.",
                name="signal",
            )
        self.n_render = self.n_after + round(MARGIN_S * sample_rate_hz)
        self.n_placed = self.lead + self.n_after + 2 * self.lead
        # The longest hop plus a window may reach past the end by less than this.
        self.n_behind = self._samples(2 * WINDOWS[0][0])
        placed = np.zeros(self.n_placed + self.n_behind, np.float32)
        first = max(onset - self.lead, 0)
        piece = rows[first:]
        at = self.lead - (onset - first)
        placed[at : at + len(piece)] = piece
        self.energy = kernels.energy(placed)
        self.windows = tuple(
            self._window(placed, spec, self.n_after, 0, floor_db) for spec in WINDOWS
        )
        n_onset = min(round(ONSET_S * sample_rate_hz), self.n_after)
        self.onset = self._window(placed, ONSET_WINDOW, n_onset, ONSET_FRAMES_BEFORE, floor_db)
        self.onset_flux = np.empty(len(self.onset.levels) - 1, np.float32)
        kernels.flux(self.onset.levels, self.onset_flux)
        self._set_envelope(placed)

    def place(self, sound: Float32Array) -> FloatArray:
        """Put a candidate on the timeline and at the level of the target's signal.

        Parameters
        ----------
        sound : np.ndarray, shape=(n_render,), dtype=float32
            One candidate from note start on.

        Returns
        -------
        np.ndarray, shape=(n_signal,), dtype=float64
            The candidate with its onset at that of the target, scaled to the target's energy.
        """
        shift = self.source_onset - min(self._onset(sound), self.n_render - self.n_after)
        placed = np.zeros(self.n_signal)
        piece = sound[max(-shift, 0) :][: self.n_signal - max(shift, 0)]
        placed[max(shift, 0) : max(shift, 0) + len(piece)] = piece
        power = float(np.sum(placed**2))
        return placed * (self.energy / power) ** 0.5 if power > 0.0 else placed

    def _samples(self, n_at_base_rate: int) -> int:
        """Scale a window size or hop to the sampling rate."""
        return max(1, round(n_at_base_rate * self.factor))

    def _onset(self, signal: Float32Array) -> int:
        """Sample at which the 1 ms level first comes within 40 dB of its peak."""
        powers = np.empty(len(signal) // self.hop, np.float32)
        peak = kernels.short_powers(signal, self.hop, powers)
        return int(kernels.find_onset(powers, peak * 10.0 ** (ONSET_DB / 10.0))) * self.hop

    def _window(
        self,
        placed: Float32Array,
        spec: tuple[int, int, int, float],
        n_samples: int,
        n_before: int,
        floor_db: float,
    ) -> _Window:
        """Analyse the target with one window size."""
        n_fft, hop = self._samples(spec[0]), self._samples(spec[1])
        bands = mel_bands(
            n_fft, spec[2], sample_rate_hz=self.sample_rate_hz, low_hz=LOWEST_HZ, high_hz=spec[3]
        )
        shape = np.hanning(n_fft + 1)[:-1].astype(np.float32)
        start = self.lead - n_fft // 2 - n_before * hop
        n_frames = 1 + n_before + n_samples // hop
        frames = np.empty((n_frames, n_fft), np.float32)
        kernels.cut_frames(placed, start, hop, 1.0, shape, frames)
        spectra = _spectra(frames)
        levels = np.empty((n_frames, len(bands)), np.float32)
        amplitudes = np.empty_like(levels)
        tables = bands.weights, bands.starts, bands.ends
        kernels.band_levels(spectra, *tables, 0.0, levels, amplitudes)
        floor = float(np.max(amplitudes)) ** 2 * 10.0 ** (floor_db / 10.0)
        kernels.band_levels(spectra, *tables, floor, levels, amplitudes)
        return _Window(shape, hop, start, bands, floor, levels, amplitudes)

    def _set_envelope(self, placed: Float32Array) -> None:
        """Analyse the target's level over time and its attack."""
        powers = np.empty(len(placed) // self.hop, np.float32)
        self.peak = kernels.short_powers(placed, self.hop, powers)
        self.envelope_start = self.lead // self.hop - 2 * ENVELOPE_HOP
        n_steps = 2 + self.n_after // (self.hop * ENVELOPE_HOP)
        self.envelope = np.empty(n_steps, np.float32)
        place = self.envelope_start, ENVELOPE_HOP, 1.0
        kernels.envelope_levels(powers, *place, 1e-30, self.envelope)
        loudest = float(np.max(self.envelope))
        self.envelope_floor = 10.0 ** ((loudest + ENVELOPE_FLOOR_DB) / 10.0)
        kernels.envelope_levels(powers, *place, self.envelope_floor, self.envelope)
        self.attack_start = self.lead // self.hop - 8
        limit = round(ATTACK_LIMIT_S * self.sample_rate_hz)
        self.attack_span = min(limit, self.n_after) // self.hop
        self.attack_hops = kernels.attack_hops(
            powers, self.attack_start, self.attack_span, self.peak
        )


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
        self._powers = np.empty(target.n_render // target.hop, np.float32)
        self._placed_powers = np.empty(
            (target.n_placed + target.n_behind) // target.hop, np.float32
        )
        windows = (*target.windows, target.onset)
        self._frames = [np.empty((len(w.levels), len(w.shape)), np.float32) for w in windows]
        self._levels = [np.empty_like(w.levels) for w in windows]
        self._amplitudes = [np.empty_like(w.levels) for w in windows]
        self._flux = np.empty_like(target.onset_flux)
        self._envelope = np.empty_like(target.envelope)

    def score(self, group: Float32Array, n_candidates: int) -> FloatArray:
        """Measure how candidates differ from the target.

        Parameters
        ----------
        group : np.ndarray, shape=(target.n_render, n_lanes), dtype=float32
            Sounds from note start on, one candidate per column.
        n_candidates : int, 1 <= n_candidates <= n_lanes
            How many columns to score.

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
        return np.array([self._score_row(self._rows[i]) for i in range(n_candidates)])

    def _score_row(self, row: Float32Array) -> list[float]:
        """Score one candidate, a row that starts with `lead` zeros."""
        t = self.target
        sound = row[t.lead : t.lead + t.n_render]
        peak = kernels.short_powers(sound, t.hop, self._powers)
        onset = kernels.find_onset(self._powers, peak * 10.0 ** (ONSET_DB / 10.0)) * t.hop
        onset = min(onset, t.n_render - t.n_after)
        placed = row[onset : onset + t.n_placed + t.n_behind]
        placed[t.lead + t.n_after :] = 0.0  # the target has nothing after its end either
        loudness = kernels.energy(placed[: t.lead + t.n_after])
        gain = (t.energy / loudness) ** 0.5 if loudness > 0.0 else 0.0
        spectral, converged = [], []
        for i, window in enumerate(t.windows):
            levels, amplitudes = self._analyse(i, window, placed, gain)
            spectral.append(kernels.mean_difference(levels, window.levels))
            converged.append(kernels.convergence(amplitudes, window.amplitudes))
        levels, _ = self._analyse(len(t.windows), t.onset, placed, gain)
        kernels.flux(levels, self._flux)
        onset_db = kernels.mean_difference(levels, t.onset.levels)
        flux_db = kernels.mean_difference(self._flux[None, :], t.onset_flux[None, :])
        return [
            float(np.mean(spectral)),
            float(np.mean(converged)),
            onset_db,
            flux_db,
            *self._level_differences(placed, gain),
        ]

    def _analyse(
        self, i: int, window: _Window, placed: Float32Array, gain: float
    ) -> tuple[Float32Array, Float32Array]:
        """Band levels and amplitudes of a placed candidate with one window size."""
        frames, levels, amplitudes = self._frames[i], self._levels[i], self._amplitudes[i]
        kernels.cut_frames(placed, window.start, window.hop, gain, window.shape, frames)
        b = window.bands
        kernels.band_levels(
            _spectra(frames), b.weights, b.starts, b.ends, window.floor, levels, amplitudes
        )
        return levels, amplitudes

    def _level_differences(self, placed: Float32Array, gain: float) -> tuple[float, float]:
        """Octaves between the attack times, and mean difference of the levels over time in dB."""
        t = self.target
        peak = kernels.short_powers(placed, t.hop, self._placed_powers)
        hops = kernels.attack_hops(self._placed_powers, t.attack_start, t.attack_span, peak)
        kernels.envelope_levels(
            self._placed_powers, t.envelope_start, ENVELOPE_HOP, gain, t.envelope_floor,
            self._envelope,
        )  # fmt: skip
        # One millisecond (four hops) more on both sides: below that no ear tells attacks apart.
        octaves = abs(np.log2((hops + 4.0) / (t.attack_hops + 4.0)))
        level = kernels.mean_difference(self._envelope[None, :], t.envelope[None, :])
        return float(octaves), level


def _spectra(frames: Float32Array) -> Float32Array:
    """Spectra of all frames, real and imaginary parts interleaved."""
    from scipy import fft  # noqa: PLC0415  imported when first used

    spectrum: Float32Array = fft.rfft(frames, axis=1).view(np.float32)
    return spectrum


assert len(PARTS) == 6  # noqa: S101  the columns that `_score_row` fills
