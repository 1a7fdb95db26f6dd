"""The level of a note over time, and its exponential parts: decay and release.

The level is the RMS under a triangle over twice a whole number of periods of the pitch: it neither
ripples with them nor rises in steps where their energy is bunched. Decay and release are
exponential in the voice; their time is the time constant.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.target.level import FLOOR_DB
from matcher.target.model import LevelTrack
from shared.units import seconds_to_samples

if TYPE_CHECKING:
    from shared.types import FloatArray

__all__ = [
    "ABOVE_FLOOR_DB",
    "LEVEL_HOP_S",
    "Decay",
    "find_decay",
    "find_release",
    "level_track",
    "level_window_s",
]

LEVEL_HOP_S = 0.001
SHORTEST_WINDOW_S = 0.002
UNPITCHED_WINDOW_S = 0.02
# Where the noise floor lifts a level by 1 dB.
ABOVE_FLOOR_DB = 6.0
DB_PER_TIME_CONSTANT = 20.0 * np.log10(np.e)
RELEASE_RANGE_DB = 30.0
LEAST_RELEASE_DB = 3.0
LEAST_DECAY_RATIO = 0.05
# The neutral value of the catalogue, for a level that doesn't fall.
NEUTRAL_DECAY_S = 0.3
DECAYS_S = np.geomspace(0.005, 10.0, 60)


@dataclass(frozen=True)
class Decay:
    """The fall from the peak: time constant in s, and the level it leads to over the peak."""

    time_s: float
    sustain_ratio: float


def level_window_s(pitch_hz: float | None) -> float:
    """Return half the length of the level's window: whole periods, at least 2 ms."""
    if pitch_hz is None:
        return UNPITCHED_WINDOW_S
    return float(np.ceil(SHORTEST_WINDOW_S * pitch_hz) / pitch_hz)


def level_track(signal: FloatArray, *, sample_rate_hz: int, pitch_hz: float | None) -> LevelTrack:
    """Measure the level each millisecond, over whole periods."""
    n_window = max(1, seconds_to_samples(level_window_s(pitch_hz), sample_rate_hz))
    power = _running_mean(_running_mean(signal**2, n_window), n_window)
    centres = np.arange(0, signal.size, seconds_to_samples(LEVEL_HOP_S, sample_rate_hz))
    power = power[centres]
    level_db = 10.0 * np.log10(np.maximum(power / power.max(), 10.0 ** (FLOOR_DB / 10.0)))
    return LevelTrack(centres / sample_rate_hz, level_db)


def _running_mean(values: FloatArray, n_window: int) -> FloatArray:
    """Average over a window around each value; zeros lie outside."""
    padded = np.pad(values, (n_window // 2 + 1, n_window - n_window // 2 - 1))
    total = np.cumsum(padded)
    total = np.concatenate([total, np.full(1, total[-1])])
    mean = (total[n_window : n_window + values.size] - total[: values.size]) / n_window
    return np.maximum(mean, 0.0)


def find_decay(track: LevelTrack, *, peak_s: float, gate_end_s: float) -> Decay:
    """Fit an exponential fall to a constant level between the peak and the end of the gate."""
    is_held = (track.times_s >= peak_s) & (track.times_s <= gate_end_s)
    times = track.times_s[is_held] - peak_s
    neutral = Decay(NEUTRAL_DECAY_S, 1.0)
    if times.size < 10:
        return neutral
    amplitude = 10.0 ** (track.level_db[is_held] / 20.0)
    best, best_error = neutral, float(np.sum((amplitude - amplitude.mean()) ** 2))
    for time_s in DECAYS_S:
        fall = np.exp(-times / time_s)
        basis = np.stack([1.0 - fall, fall], axis=1)  # a = sustain (1 - fall) + peak fall
        sustain, peak = np.linalg.lstsq(basis, amplitude)[0]
        if sustain < 0.0:
            sustain, peak = 0.0, float(fall @ amplitude / (fall @ fall))
        error = float(np.sum((sustain + (peak - sustain) * fall - amplitude) ** 2))
        has_fallen = sustain + (peak - sustain) * fall[-1] <= (1.0 - LEAST_DECAY_RATIO) * peak
        if error < best_error and peak > 0.0 and has_fallen:
            best, best_error = Decay(float(time_s), float(sustain / peak)), error
    return best


def find_release(track: LevelTrack, *, gate_end_s: float, noise_floor_db: float) -> float | None:
    """Fit a straight fall in dB to the first 30 dB after the gate."""
    after = track.times_s >= gate_end_s
    times, level = track.times_s[after], track.level_db[after]
    if times.size < 4:
        return None
    lowest = max(level[0] - RELEASE_RANGE_DB, noise_floor_db + ABOVE_FLOOR_DB)
    below = np.flatnonzero(level < lowest)
    last = max(int(below[0]) if below.size else times.size, 4)
    times, level = times[:last], level[:last]
    slope = float(np.polyfit(times - times[0], level, 1)[0])
    if -slope * (times[-1] - times[0]) < LEAST_RELEASE_DB:
        return None
    return float(-DB_PER_TIME_CONSTANT / slope)
