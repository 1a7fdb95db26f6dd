"""The level of a note over time, and its envelope: attack, decay, gate and release.

The level is the RMS under a triangle over twice a whole number of periods of the pitch: it neither
ripples with them nor rises in steps where their energy is bunched.

- *Attack* is the time of a straight rise of the amplitude from 0 to its peak, as the voice makes
  it, by least squares against the measured level.
- *Log attack time* is that of ISO/IEC 15938-4 (MPEG-7 audio, LogAttackTime): log10 of the time
  from the start of the sound to its maximum. The standard leaves the thresholds open; 2 % and
  90 % of the maximum are taken here (from memory).
- *Decay* and *release* are exponential in the voice; their time is the time constant.
- *Gate* is when the key went up: where the level begins to fall for good, at the corner of the
  level in dB where it turns steeper downwards, falls far, and doesn't come back. A sound that
  only decays has no such corner, and its gate is the whole sounding part. The corners are those
  of four straight lines, since decay, sustain, release and what rings on after it are about
  straight in dB.

All thresholds are common practice, no source; those of the gate were set on 1008 known envelopes
(attack 2 to 200 ms, decay, sustain, release, gate, with and without noise) and on recorded notes.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from matcher.target.level import FLOOR_DB
from matcher.target.model import LevelTrack
from shared.units import seconds_to_samples

if TYPE_CHECKING:
    import numpy.typing as npt

    from shared.types import FloatArray

__all__ = [
    "ABOVE_FLOOR_DB",
    "LEVEL_HOP_S",
    "Attack",
    "Decay",
    "GateEstimate",
    "find_attack",
    "find_decay",
    "find_gate",
    "find_release",
    "level_track",
    "level_window_s",
    "measure_attack",
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
START_RATIO = 0.02
END_RATIO = 0.9
# `matcher.target.level` sets the onset at 40 dB under the peak.
ONSET_RATIO = 0.01
# The shortest attack of the catalogue.
LEAST_RISE_S = 0.0005
N_RISES = 160
# A rise over so many windows of the level is read off the level alone.
LONG_WINDOWS = 3.0
N_POINTS = 240
N_CORNERS = 40
CORNER_STEPS = 4
LOWEST_DB = -60.0
CUT_ABOVE_DB = -40.0
# A corner begins a release if the level ends this far under the line that it leaves, ...
LEAST_DROP_DB = 8.0
# ... falls this much faster after it, ...
LEAST_STEEPENING_DB_PER_S = 12.0
LEAST_STEEPENING_RATIO = 1.35
# ... and if the corner is not a small one beside the sharpest.
LEAST_SHARPNESS_RATIO = 0.25
RETURN_DB = 3.0
LARGEST_SAG_DB = 6.0
WEIGHT_DB = 60.0


@dataclass(frozen=True)
class Decay:
    """The fall from the peak: time constant in s, and the level it leads to over the peak."""

    time_s: float
    sustain_ratio: float


def level_window_s(pitch_hz: float | None) -> float:
    """Return half the length of the level's window: whole periods, 2 ms at least; else 20 ms."""
    if pitch_hz is None:
        return UNPITCHED_WINDOW_S
    return float(np.ceil(SHORTEST_WINDOW_S * pitch_hz) / pitch_hz)


def level_track(signal: FloatArray, *, sample_rate_hz: int, pitch_hz: float | None) -> LevelTrack:
    """Measure the level each millisecond, over whole periods; 0 dB is its highest value."""
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
    """Fit an exponential fall to a constant level between the peak and the end of the gate.

    Sustain 1 and a decay of 0.3 s (neutral) if nothing falls.
    """
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
    """Fit a straight fall to the first 30 dB after the gate; None if less than 3 dB is there."""
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


@dataclass(frozen=True)
class Attack:
    """The rise of a note: when it passes 2 % of its maximum, its length, and when its peak is.

    `rise_s` is a straight rise from 0; `log_attack_time` goes from 2 % to 90 %.
    """

    start_s: float
    rise_s: float
    log_attack_time: float
    peak_s: float


def find_attack(track: LevelTrack, *, onset_s: float, pitch_hz: float | None) -> Attack:
    """Measure the rise of a note, and take off what the level's window adds to it.

    The straight rise is fitted up to the highest level; what swells after a quick rise is not
    taken for a slow attack.
    """
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


def measure_attack(
    signal: FloatArray,
    track: LevelTrack,
    *,
    sample_rate_hz: int,
    onset_s: float,
    pitch_hz: float | None,
) -> Attack:
    """Measure the attack, by the waveform itself where the level's window is too long for it."""
    attack = find_attack(track, onset_s=onset_s, pitch_hz=pitch_hz)
    if attack.rise_s > LONG_WINDOWS * level_window_s(pitch_hz):
        return attack
    onset = seconds_to_samples(onset_s, sample_rate_hz)
    n_rise = max(seconds_to_samples(2.0 * attack.peak_s - onset_s, sample_rate_hz) - onset, 2)
    largest = _largest_rise_s(signal[onset : onset + n_rise], sample_rate_hz)
    return replace(attack, rise_s=min(attack.rise_s, max(largest, LEAST_RISE_S)))


def _largest_rise_s(rise: FloatArray, sample_rate_hz: int) -> float:
    """Return the slowest straight rise that the waveform itself allows.

    No sample can be larger than the amplitude at its time, so a rise over T that reaches the
    peak value X has T <= t X / |x(t)| at every t. This tells a hard attack from a soft one also
    where the level's window is longer than both, at low pitches.
    """
    size = np.abs(rise)
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


@dataclass(frozen=True)
class GateEstimate:
    """When the key went up, and whether the sound is still loud at the end of the track."""

    end_s: float
    is_open: bool


def find_gate(
    track: LevelTrack, *, peak_s: float, settle_s: float, noise_floor_db: float
) -> GateEstimate:
    """Find when the level begins to fall for good; else the end of what sounds.

    No release is looked for within `settle_s` after the peak: its top is round.
    """
    times, level = _sounding_part(track, peak_s, noise_floor_db)
    is_at_end = times[-1] >= track.times_s[-1] - 0.03
    is_loud = level[-1] > max(CUT_ABOVE_DB, noise_floor_db + 2.0 * ABOVE_FLOOR_DB)
    none = GateEstimate(float(times[-1]), bool(is_at_end and is_loud))
    if times.size < 12:
        return none
    corners, slopes = _fit_corners(times, level)
    is_past_top = corners >= times[0] + settle_s
    index = _release_corner(times, level, corners, slopes, is_past_top)
    if index is None:
        return none
    around = (times[0], *corners, times[-1])
    return GateEstimate(
        _sharpen(track, around[index], around[index + 1], around[index + 2]), is_open=False
    )


def _sounding_part(
    track: LevelTrack, peak_s: float, noise_floor_db: float
) -> tuple[FloatArray, FloatArray]:
    """Return times and levels from the peak to where the sound is gone, thinned out."""
    # The peak itself is above the floor, however noisy the recording.
    lowest = min(max(LOWEST_DB, noise_floor_db + ABOVE_FLOOR_DB), -1.0)
    last = int(np.flatnonzero(track.level_db >= lowest)[-1]) + 1
    first = min(int(np.searchsorted(track.times_s, peak_s)), last - 1)
    step = max(1, (last - first) // N_POINTS)
    return track.times_s[first:last:step], track.level_db[first:last:step]


def _fit_corners(times: FloatArray, level: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit four straight lines that meet at three corners, by least squares over a grid.

    Returns the corners, shape (3,), and the slopes of the lines in dB/s, shape (4,).
    """
    grid = np.linspace(times[0], times[-1], N_CORNERS + 2)[1:-1]
    hinges = np.maximum(times - grid[:, None], 0.0)
    basis = np.vstack([np.ones_like(times), times - times[0], hinges])
    # The loud part counts more: where a release begins, not how it dies away.
    weights = 10.0 ** (level / WEIGHT_DB)
    inner, against = (basis * weights) @ basis.T, basis @ (weights * level)
    rows = _corner_rows()
    matrix = inner[rows[:, :, None], rows[:, None, :]]
    matrix[:, np.arange(5), np.arange(5)] += 1e-9 * times.size
    right = against[rows]
    solution = np.linalg.solve(matrix, right[:, :, None])[:, :, 0]
    gain = np.einsum("ij,ij->i", solution, right)
    best = int(np.argmax(gain))
    return grid[rows[best, 2:] - 2], np.cumsum(solution[best, 1:])


@functools.lru_cache(maxsize=1)
def _corner_rows() -> npt.NDArray[np.int64]:
    """Return the rows of the basis for each choice of three corners, shape (n_choices, 5)."""
    first, second, third = np.indices((N_CORNERS,) * 3).reshape(3, -1)
    is_apart = (second - first >= CORNER_STEPS) & (third - second >= CORNER_STEPS)
    corners = np.stack([first, second, third], axis=1)[is_apart]
    return np.concatenate([np.tile([0, 1], (corners.shape[0], 1)), corners + 2], axis=1)


def _release_corner(
    times: FloatArray,
    level: FloatArray,
    corners: FloatArray,
    slopes: FloatArray,
    is_past_top: npt.NDArray[np.bool_],
) -> int | None:
    """Return the index of the corner at which a release begins, if one does."""
    # A rise counts as level: where the attack or a swell ends, nothing is released.
    slopes = np.minimum(slopes, 0.0)
    before, after = slopes[:-1], slopes[1:]
    steeper = np.minimum(before - LEAST_STEEPENING_DB_PER_S, LEAST_STEEPENING_RATIO * before)
    at_corner = np.interp(corners, times, level)
    drop = at_corner + before * (times[-1] - corners) - level[-1]
    gone = np.array([_is_gone_for_good(times, level, corner) for corner in corners])
    is_release = is_past_top & gone & (after < steeper) & (drop >= LEAST_DROP_DB)
    if not is_release.any():
        return None
    bends = np.where(is_release, before - after, 0.0)
    chosen = int(np.argmax(bends >= LEAST_SHARPNESS_RATIO * bends.max()))
    for later in range(chosen + 1, bends.size):
        # A sound that only sags is still held if a sharper corner comes before it is gone.
        has_sagged = at_corner[chosen] - at_corner[later] < LARGEST_SAG_DB
        if has_sagged and bends[later] > bends[chosen]:
            chosen = later
    return chosen


def _is_gone_for_good(times: FloatArray, level: FloatArray, corner_s: float) -> bool:
    """Return whether the level, once it is 6 dB under a corner, stays 3 dB under it."""
    at_corner = float(np.interp(corner_s, times, level))
    after = level[times > corner_s]
    fallen = np.flatnonzero(after < at_corner - 2.0 * RETURN_DB)
    return fallen.size > 0 and bool(after[fallen[0] :].max() < at_corner - RETURN_DB)


def _sharpen(track: LevelTrack, left_s: float, corner_s: float, right_s: float) -> float:
    """Move a corner to where two straight lines fit best between its neighbours."""
    is_near = (track.times_s >= left_s) & (track.times_s <= right_s)
    times, level = track.times_s[is_near], track.level_db[is_near]
    reach = (times[-1] - times[0]) / 10.0
    best, best_error = corner_s, np.inf
    for candidate in np.arange(corner_s - reach, corner_s + reach, 2.0 * LEVEL_HOP_S):
        basis = np.stack([np.ones_like(times), times, np.maximum(times - candidate, 0.0)], axis=1)
        solution = np.linalg.lstsq(basis, level)[0]
        error = float(np.sum((basis @ solution - level) ** 2))
        if error < best_error:
            best, best_error = float(candidate), error
    return best
