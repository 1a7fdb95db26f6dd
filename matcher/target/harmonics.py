"""Level and phase of each harmonic over time, measured along a moving pitch.

The signal is turned back by the phase of the h-th harmonic of the pitch track and averaged under
a Hann window of a few periods (heterodyne analysis: J. W. Beauchamp, "A computer system for
time-variant harmonic analysis and synthesis of musical tones", in "Music by Computers", 1969;
from memory). The magnitude is the harmonic's amplitude; the phase's slope tells how far the
track is off, which makes a coarse track exact.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.target.model import PitchTrack
from matcher.target.pitch import coarse_track
from shared.units import seconds_to_samples

if TYPE_CHECKING:
    import numpy.typing as npt

    from shared.types import FloatArray

__all__ = [
    "HarmonicTracks",
    "follow_pitch",
    "harmonic_tracks",
    "median_of_five",
    "refine_track",
    "smooth_track",
    "steady_track",
    "window_length_s",
]

# The Hann window of four periods has its first zeros half a harmonic away.
N_PERIODS = 4.0
SHORTEST_WINDOW_S = 0.004
VOICED_RATIO = 0.5
N_REFINING_HARMONICS = 5
# The phase slope can't be told from an alias beyond this.
LARGEST_STEP_CENTS = 150.0


@dataclass(frozen=True, eq=False)
class HarmonicTracks:
    """Complex amplitudes, shape (n_harmonics, n_frames), with their phase against the pitch track.

    `window_s` is the length of the Hann window.
    """

    times_s: FloatArray
    amplitudes: npt.NDArray[np.complex128]
    window_s: float


def follow_pitch(
    signal: FloatArray, *, sample_rate_hz: int, pitch_hz: float, hop_s: float
) -> PitchTrack:
    """Follow a roughly known pitch, to within a cent where a steady tone is voiced."""
    track = coarse_track(signal, sample_rate_hz=sample_rate_hz, pitch_hz=pitch_hz, hop_s=hop_s)
    track = smooth_track(track, pitch_hz=pitch_hz)
    return refine_track(signal, track, sample_rate_hz=sample_rate_hz)


def steady_track(times_s: FloatArray, pitch_hz: float) -> PitchTrack:
    """Return the track of a pitch that doesn't move, to measure harmonics along."""
    return PitchTrack(times_s, np.full_like(times_s, pitch_hz), np.ones_like(times_s))


def smooth_track(track: PitchTrack, *, pitch_hz: float) -> PitchTrack:
    """Replace unvoiced frames by their neighbours and single slips by a median of five."""
    is_voiced = track.voiced_ratio >= VOICED_RATIO
    if not is_voiced.any():
        return PitchTrack(track.times_s, np.full_like(track.hz, pitch_hz), track.voiced_ratio)
    hz = np.interp(track.times_s, track.times_s[is_voiced], track.hz[is_voiced])
    return PitchTrack(
        track.times_s, median_of_five(hz) if hz.size >= 5 else hz, track.voiced_ratio
    )


def median_of_five(values: FloatArray) -> FloatArray:
    """Take the median of each value and the two on either side; the ends repeat."""
    padded = np.pad(values, 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1))


def window_length_s(pitch_hz: float) -> float:
    """Return the length of the Hann window: four periods, at least 4 ms."""
    return max(SHORTEST_WINDOW_S, N_PERIODS / pitch_hz)


def harmonic_tracks(
    signal: FloatArray, track: PitchTrack, *, sample_rate_hz: int, n_harmonics: int
) -> HarmonicTracks:
    """Measure the first harmonics along a smooth pitch track; 0 above half the sampling rate."""
    window_s = window_length_s(float(np.median(track.hz)))
    averages = _HannAverages(signal.size, track.times_s, window_s, sample_rate_hz)
    step = np.exp(-1j * _phase(signal.size, track, sample_rate_hz))
    turned = signal.astype(np.complex128)
    rows = np.zeros((n_harmonics, track.times_s.size), dtype=np.complex128)
    n_below_half_rate = int(0.5 * sample_rate_hz / float(track.hz.max()))
    for row in range(min(n_harmonics, n_below_half_rate)):
        turned *= step
        # A sine of amplitude 1 leaves 1/2 at 0 Hz and 1/2 at twice its frequency.
        rows[row] = 2.0 * averages.of(turned)
    return HarmonicTracks(track.times_s, rows, window_s)


class _HannAverages:
    """Averages under a Hann window around given times, from three running sums.

    A Hann window is a constant and two turning exponentials, so that its sum over any stretch is
    a difference of cumulative sums: the cost doesn't grow with the window, which matters at low
    pitches.
    """

    def __init__(
        self, n_samples: int, times_s: FloatArray, window_s: float, sample_rate_hz: int
    ) -> None:
        self._n_window = seconds_to_samples(window_s, sample_rate_hz) | 1
        centres = np.rint(times_s * sample_rate_hz).astype(np.int64)
        self._starts = centres - self._n_window // 2
        self._angle = 2.0 * np.pi / (self._n_window + 1)
        self._turn = np.exp(1j * self._angle * np.arange(n_samples))

    def of(self, values: npt.NDArray[np.complex128]) -> npt.NDArray[np.complex128]:
        """Return the average around each time; zeros lie outside of the values."""
        back = np.exp(-1j * self._angle * (self._starts - 1))
        side = self._sums(values * self._turn) * back
        other = self._sums(values * self._turn.conj()) * back.conj()
        total = 0.5 * self._sums(values) - 0.25 * (side + other)
        return np.asarray(total / (0.5 * (self._n_window + 1)))

    def _sums(self, values: npt.NDArray[np.complex128]) -> npt.NDArray[np.complex128]:
        """Return the plain sum over each window."""
        total = np.concatenate([[0.0], np.cumsum(values)])
        first = np.clip(self._starts, 0, values.size)
        last = np.clip(self._starts + self._n_window, 0, values.size)
        return np.asarray(total[last] - total[first])


def _phase(n_samples: int, track: PitchTrack, sample_rate_hz: int) -> FloatArray:
    """Return the phase of the fundamental in radians at each sample."""
    times_s = np.arange(n_samples) / sample_rate_hz
    hz = np.interp(times_s, track.times_s, track.hz)
    return np.asarray(2.0 * np.pi * (np.cumsum(hz) - hz[0]) / sample_rate_hz)


def refine_track(signal: FloatArray, track: PitchTrack, *, sample_rate_hz: int) -> PitchTrack:
    """Make a smooth coarse track exact by the phase slopes of the first five harmonics."""
    if track.times_s.size < 3:
        return track
    tracks = harmonic_tracks(
        signal, track, sample_rate_hz=sample_rate_hz, n_harmonics=N_REFINING_HARMONICS
    )
    hop_s = float(track.times_s[1] - track.times_s[0])
    # Phase advance over two hops around each frame, as frequency.
    after, before = np.roll(tracks.amplitudes, -1, axis=1), np.roll(tracks.amplitudes, 1, axis=1)
    product = after * before.conj()
    product[:, 0], product[:, -1] = product[:, 1], product[:, -2]
    number = np.arange(1, N_REFINING_HARMONICS + 1)[:, None]
    offset_hz = np.angle(product) / (2.0 * np.pi * 2.0 * hop_s) / number
    # The error of a phase slope falls with the amplitude, and dividing by h divides it again.
    weight = np.abs(product) * number**2
    total = weight.sum(axis=0)
    offset = np.divide(
        (weight * offset_hz).sum(axis=0), total, out=np.zeros_like(total), where=total > 0.0
    )
    largest = track.hz * (2.0 ** (LARGEST_STEP_CENTS / 1200.0) - 1.0)
    return PitchTrack(
        track.times_s, track.hz + np.clip(offset, -largest, largest), track.voiced_ratio
    )
