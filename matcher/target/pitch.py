"""Pitch of a note: which octave, how exactly, and how it moves.

A note has one pitch, so the octave is decided once, over all of its loud frames, by two measures
whose mistakes differ:

- the difference function of YIN [1]_ finds the period also where the fundamental is missing, but
  takes a multiple of it in low-frequency noise;
- the spectral kernel of SWIPE' [2]_, with lobes at prime harmonics only, is hard to fool by
  noise, but wants the first harmonics.

Their weighted sum made no octave error on 656 recorded and synthetic notes (noise at 0 dB, hum,
staccato, missing fundamentals, detuned and narrow pulses) where the first alone made 50 and the
second 10. Once the octave is known, YIN's minimum near it is followed through the note, and the
phases of the first harmonics make it exact (`matcher.target.harmonics`).

References
----------
.. [1] A. de Cheveigne, H. Kawahara, "YIN, a fundamental frequency estimator for speech and
   music", J. Acoust. Soc. Am. 111(4), 2002, equations 6 and 8.
.. [2] A. Camacho, J. G. Harris, "A sawtooth waveform inspired pitch estimator for speech and
   music", J. Acoust. Soc. Am. 124(3), 2008, section II.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.target.model import PitchTrack
from shared.units import midi_to_hz, seconds_to_samples

if TYPE_CHECKING:
    import numpy.typing as npt

    from shared.types import FloatArray

__all__ = ["HIGHEST_HZ", "LOWEST_HZ", "CoarsePitch", "coarse_track", "find_pitch"]

LOWEST_HZ = 27.0
HIGHEST_HZ = 4500.0
STEPS_PER_OCTAVE = 48
N_FRAMES = 24
# Weights that made no mistake; with 1.0, low-frequency noise wins (17 mistakes in 476).
PERIODICITY_WEIGHT = 0.5
# Noise reaches 0.15 (a tenth of a second of low noise 0.2); a note in noise as loud has 0.2.
LEAST_STRENGTH = 0.16
STRENGTH_AT_BEST = 1.0 + PERIODICITY_WEIGHT
# A pitch that the user or the file name expects wins over the best one down to this share.
HINT_RATIO = 0.85
HINT_SEMITONES = 0.6
ERB_STEP = 0.1
HIGHEST_PARTIAL_HZ = 12_500.0
TRACK_SEMITONES = 5.0


@dataclass(frozen=True)
class CoarsePitch:
    """Pitch on a grid of 1/48 octave, and how clear it is: 0.1 is noise, 0.5 a clean tone."""

    hz: float
    strength_ratio: float


def find_pitch(
    signal: FloatArray, *, sample_rate_hz: int, hint_midi_pitch: float | None = None
) -> CoarsePitch | None:
    """Find the octave and the nearest 1/48 octave of a note's pitch, from 27 to 4500 Hz.

    The pitch that is expected wins over one that is only slightly clearer; None for noise.
    """
    grid = _grid_hz(sample_rate_hz)
    centres = np.linspace(0, signal.size - 1, N_FRAMES + 2)[1:-1].astype(np.int64)
    periodicity = 1.0 - np.minimum(_mean_difference(signal, centres, sample_rate_hz, grid), 1.0)
    strength = _spectral_strength(signal, centres, sample_rate_hz, grid)
    score = strength + PERIODICITY_WEIGHT * periodicity
    best = int(np.argmax(score))
    if score[best] < LEAST_STRENGTH:
        return None
    if hint_midi_pitch is not None:
        near = np.abs(12.0 * np.log2(grid / midi_to_hz(hint_midi_pitch))) <= HINT_SEMITONES
        hinted = int(np.argmax(np.where(near, score, -np.inf)))
        if near.any() and score[hinted] >= HINT_RATIO * score[best]:
            best = hinted
    return CoarsePitch(float(grid[best]), min(1.0, float(score[best]) / STRENGTH_AT_BEST))


@functools.lru_cache(maxsize=8)
def _grid_hz(sample_rate_hz: int) -> FloatArray:
    """Return the candidate pitches in Hz."""
    highest = min(HIGHEST_HZ, sample_rate_hz / 4.0)
    n_steps = int(np.log2(highest / LOWEST_HZ) * STEPS_PER_OCTAVE) + 1
    return np.asarray(LOWEST_HZ * np.exp2(np.arange(n_steps) / STEPS_PER_OCTAVE))


def _difference(signal: FloatArray, centres: npt.NDArray[np.int64], n_lags: int) -> FloatArray:
    """Return YIN's cumulative mean normalized difference (eq. 8), shape (n_frames, n_lags).

    The two windows that are compared have `n_lags` samples; both together lie around the centre.
    """
    n_frame = 2 * n_lags
    frames = _frames(signal, centres, n_frame)
    n_fft = 1 << (n_frame + n_lags - 1).bit_length()
    spectrum = np.fft.rfft(frames, n_fft)
    first = np.fft.rfft(frames[:, :n_lags], n_fft)
    products = np.fft.irfft(spectrum * first.conj(), n_fft)[:, :n_lags]
    energy = np.cumsum(np.pad(frames**2, ((0, 0), (1, 0))), axis=1)
    moving = energy[:, n_lags : 2 * n_lags] - energy[:, :n_lags]
    difference = np.maximum(moving[:, :1] + moving - 2.0 * products, 0.0)  # eq. 6
    lags = np.arange(1, n_lags)
    total = np.cumsum(difference[:, 1:], axis=1)
    normalized = np.ones_like(difference)
    normalized[:, 1:] = np.divide(
        difference[:, 1:] * lags, total, out=np.ones_like(total), where=total > 1e-30
    )
    return normalized


def _frames(signal: FloatArray, centres: npt.NDArray[np.int64], n_frame: int) -> FloatArray:
    """Cut frames around the centres; silence lies before and after the signal."""
    padded = np.pad(signal, (n_frame // 2, n_frame))
    return np.asarray(padded[centres[:, None] + np.arange(n_frame)])


def _mean_difference(
    signal: FloatArray, centres: npt.NDArray[np.int64], sample_rate_hz: int, grid: FloatArray
) -> FloatArray:
    """Return the mean of YIN's difference over the frames, at the periods of the grid."""
    n_lags = min(int(sample_rate_hz / LOWEST_HZ) + 2, max(signal.size // 2 - 1, 2))
    inside = np.clip(centres, n_lags, max(signal.size - n_lags, n_lags))
    mean = _difference(signal, inside, n_lags).mean(axis=0)
    return np.asarray(np.interp(sample_rate_hz / grid, np.arange(n_lags), mean, right=1.0))


def _hz_to_erbs(frequency_hz: float) -> float:
    """Return the ERB-rate scale, as in [2]_."""
    return float(21.4 * np.log10(1.0 + frequency_hz / 229.0))


@functools.lru_cache(maxsize=4)
def _partial_axis_hz(sample_rate_hz: int) -> FloatArray:
    """Return the frequencies at which spectra are read, evenly spaced in ERBs."""
    highest = min(HIGHEST_PARTIAL_HZ, sample_rate_hz / 2.0)
    erbs = np.arange(_hz_to_erbs(LOWEST_HZ / 4.0), _hz_to_erbs(highest), ERB_STEP)
    return np.asarray(229.0 * (10.0 ** (erbs / 21.4) - 1.0))


@functools.lru_cache(maxsize=4)
def _kernels(sample_rate_hz: int) -> FloatArray:
    """Return the kernel of each candidate, shape (n_grid, n_partial_axis)."""
    axis = _partial_axis_hz(sample_rate_hz)
    return np.stack([_kernel(axis, float(hz)) for hz in _grid_hz(sample_rate_hz)])


def _kernel(axis: FloatArray, pitch_hz: float) -> FloatArray:
    """Return the kernel of one candidate: lobes at its prime harmonics."""
    ratio, kernel = axis / pitch_hz, np.zeros_like(axis)
    wave = np.cos(2.0 * np.pi * ratio)
    for prime in _one_and_primes(max(1, int(ratio[-1] - 0.75))):
        distance = np.abs(ratio - prime)
        kernel[distance < 0.25] = wave[distance < 0.25]
        is_side = (distance >= 0.25) & (distance < 0.75)
        kernel[is_side] += 0.5 * wave[is_side]
    kernel /= np.sqrt(axis)
    return np.asarray(kernel / np.linalg.norm(kernel[kernel > 0.0]))


def _one_and_primes(highest: int) -> list[int]:
    """Return 1 and the primes up to `highest`."""
    is_prime = np.ones(highest + 1, dtype=bool)
    for factor in range(2, int(highest**0.5) + 1):
        is_prime[factor * factor :: factor] = False
    return [int(number) for number in np.flatnonzero(is_prime) if number > 0]


def _spectral_strength(
    signal: FloatArray, centres: npt.NDArray[np.int64], sample_rate_hz: int, grid: FloatArray
) -> FloatArray:
    """Return SWIPE's strength of each candidate, the mean over the frames.

    Each candidate is judged on the two window sizes (powers of two) next to eight of its
    periods, weighted by their distance in octaves.
    """
    axis, kernels = _partial_axis_hz(sample_rate_hz), _kernels(sample_rate_hz)
    position = np.log2(8.0 * sample_rate_hz / grid)  # log2 of the best window size
    sizes = np.arange(round(position[0]), round(position[-1]) - 1, -1)
    position = np.clip(position, sizes[-1], sizes[0])
    strength = np.zeros(grid.size)
    for size in sizes:
        weight = np.maximum(1.0 - np.abs(position - size), 0.0)
        used = np.flatnonzero(weight)
        n_frame = 1 << int(size)
        frames = _frames(signal, centres, n_frame) * np.hanning(n_frame)
        bins_hz = np.fft.rfftfreq(n_frame, 1.0 / sample_rate_hz)
        magnitudes = np.abs(np.fft.rfft(frames))
        loudness = np.sqrt([np.interp(axis, bins_hz, magnitude) for magnitude in magnitudes])
        loudness /= np.maximum(np.linalg.norm(loudness, axis=1, keepdims=True), 1e-12)
        strength[used] += weight[used] * (kernels[used] @ loudness.mean(axis=0))
    return strength


def coarse_track(
    signal: FloatArray, *, sample_rate_hz: int, pitch_hz: float, hop_s: float
) -> PitchTrack:
    """Follow YIN's minimum within five semitones of a known pitch.

    Within a few cents at low pitches, 10 to 20 at high ones, where a period has few samples.
    """
    hop = seconds_to_samples(hop_s, sample_rate_hz)
    centres = np.arange(0, signal.size, hop)
    spread = 2.0 ** (TRACK_SEMITONES / 12.0)
    period = sample_rate_hz / pitch_hz
    n_lags = int(np.ceil(2.0 * period * spread)) + 2
    shortest, longest = int(period / spread), int(np.ceil(period * spread)) + 1
    lag, voiced = np.empty(centres.size), np.empty(centres.size)
    # In blocks: 10 s of a low note would need half a gigabyte at once.
    for first in range(0, centres.size, 128):
        block = slice(first, first + 128)
        difference = _difference(signal, centres[block], n_lags)
        lag[block], lowest = _lowest_between(difference, shortest, longest)
        voiced[block] = np.clip(1.0 - lowest, 0.0, 1.0)
    return PitchTrack(centres / sample_rate_hz, sample_rate_hz / lag, voiced)


def _lowest_between(
    difference: FloatArray, shortest: int, longest: int
) -> tuple[FloatArray, FloatArray]:
    """Return lag and depth of the lowest value between two lags, by a parabola through three."""
    rows = np.arange(difference.shape[0])
    lag = np.clip(shortest + np.argmin(difference[:, shortest:longest], axis=1), 1, longest - 1)
    left, mid, right = (difference[rows, lag + step] for step in (-1, 0, 1))
    bend = left - 2.0 * mid + right
    shift = np.divide(0.5 * (left - right), bend, out=np.zeros_like(mid), where=bend > 1e-12)
    shift = np.clip(shift, -0.5, 0.5)
    return lag + shift, np.maximum(mid - 0.25 * (left - right) * shift, 0.0)
