"""The attack of a note: how long it rises, and when it is there.

Conventions
-----------
- *Attack* is the time of a straight rise of the amplitude from 0 to its peak, as the voice makes
  it, by least squares against the measured level.
- *Log attack time* is that of ISO/IEC 15938-4 (MPEG-7 audio, LogAttackTime): log10 of the time
  from the start of the sound to its maximum. The standard leaves the thresholds open; 2 % and
  90 % of the maximum are taken here (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.target.envelope import LEVEL_HOP_S, level_window_s
from shared.units import seconds_to_samples

if TYPE_CHECKING:
    from matcher.target.model import LevelTrack
    from shared.types import FloatArray

__all__ = ["LEAST_RISE_S", "Attack", "find_attack", "largest_rise_s"]

START_RATIO = 0.02
END_RATIO = 0.9
# `matcher.target.level` sets the onset at 40 dB under the peak.
ONSET_RATIO = 0.01
# The shortest attack of the catalogue.
LEAST_RISE_S = 0.0005
N_RISES = 160


@dataclass(frozen=True)
class Attack:
    """The rise of a note.

    Parameters
    ----------
    start_s : float
        When the level passes 2 % of its maximum, in s from the start of the level track.
    rise_s : float
        Length of a straight rise from 0 to the peak in s.
    log_attack_time : float
        log10 of the time in s from 2 % to 90 % of the maximum.
    peak_s : float
        Time of the peak in s from the start of the level track.
    """

    start_s: float
    rise_s: float
    log_attack_time: float
    peak_s: float


def find_attack(track: LevelTrack, *, onset_s: float, pitch_hz: float | None) -> Attack:
    """Measure the rise of a note, and take off what the level's window adds to it."""
    amplitude = 10.0 ** (track.level_db / 20.0)
    window_s = level_window_s(pitch_hz)
    first = int(np.searchsorted(track.times_s, onset_s - window_s))
    last = int(np.argmax(amplitude)) + 1
    last = max(last, first + 3)
    times = track.times_s[first:last] - onset_s
    rise_s = _fit_rise(times, amplitude[first:last], window_s)
    is_top = (track.times_s >= onset_s + 0.5 * rise_s) & (
        track.times_s <= onset_s + 1.3 * rise_s + window_s
    )
    peak = int(np.argmax(np.where(is_top, track.level_db, -np.inf)))
    start_s, end_s = (_first_time(track, amplitude, level) for level in (START_RATIO, END_RATIO))
    start_s = max(start_s, onset_s)
    log_time = float(np.log10(max(end_s - start_s, LEVEL_HOP_S)))
    return Attack(start_s, rise_s, log_time, float(track.times_s[peak]))


def _fit_rise(times: FloatArray, amplitude: FloatArray, window_s: float) -> float:
    """Fit a straight rise to a constant amplitude, seen through the level's window."""
    best, best_error = LEAST_RISE_S, np.inf
    # The data end at the highest level; a longer rise to a larger size would fit them as well.
    longest_s = max(float(times[-1]) + 0.25 * window_s, 2.0 * LEAST_RISE_S)
    for rise_s in np.geomspace(LEAST_RISE_S, longest_s, N_RISES):
        # The onset is where the amplitude has reached 1 % of its peak.
        since = times + ONSET_RATIO * rise_s
        steps = (_energy(since + shift, rise_s) for shift in (-window_s, 0.0, window_s))
        left, middle, right = steps
        shape = np.sqrt(np.maximum((left - 2.0 * middle + right) / window_s**2, 0.0))
        size = float(shape @ amplitude / max(float(shape @ shape), 1e-12))
        error = float(np.sum((size * shape - amplitude) ** 2))
        if error < best_error:
            best, best_error = float(rise_s), error
    return best


def _energy(times: FloatArray, rise_s: float) -> FloatArray:
    """Return the energy of an amplitude that rises from 0 to 1 and stays, integrated twice."""
    rising, after = np.clip(times, 0.0, rise_s), np.maximum(times - rise_s, 0.0)
    return rising**4 / (12.0 * rise_s**2) + rise_s / 3.0 * after + after**2 / 2.0


def largest_rise_s(
    signal: FloatArray, *, sample_rate_hz: int, onset_s: float, attack: Attack
) -> float:
    """Return the slowest straight rise that the waveform itself allows.

    No sample can be larger than the amplitude at its time, so a rise over T that reaches the
    peak value X has T <= t X / |x(t)| at every t. This tells a hard attack from a soft one also
    where the level's window is longer than both, at low pitches.
    """
    onset = seconds_to_samples(onset_s, sample_rate_hz)
    n_rise = max(seconds_to_samples(2.0 * attack.peak_s - onset_s, sample_rate_hz) - onset, 2)
    size = np.abs(signal[onset : onset + n_rise])
    times_s = (np.arange(size.size) + 1.0) / sample_rate_hz
    # Half of the peak at least: the first, small samples depend on where the onset is set.
    is_large = size >= 0.5 * size.max()
    return float(np.min(times_s[is_large] * size.max() / size[is_large]))


def _first_time(track: LevelTrack, amplitude: FloatArray, level: float) -> float:
    """Return when the amplitude first reaches a level, between two frames by a straight line."""
    index = int(np.argmax(amplitude >= level))
    if index == 0:
        return float(track.times_s[0])
    below, above = amplitude[index - 1], amplitude[index]
    share = (level - below) / (above - below)
    return float(track.times_s[index - 1] + share * LEVEL_HOP_S)
