"""Levels, onset, noise floor and end of a recorded note.

Conventions
-----------
- *Level* is a mean square in dB. The one for onsets covers the last millisecond, so that it
  rises with the first sample of a hard attack and never before it.
- *Onset* is the first sample at which that level reaches 40 dB under the highest value of the
  note (10 dB above the noise floor where that is higher) and then stays: within the next 40 ms
  it is nowhere below for 10 ms. So clicks and handling noise before the note don't count.
- *Noise floor* is the median level of what lies before the note, or after it. What is periodic
  and changes is the note itself (a slow attack, a long release), not noise.

The thresholds are common practice, no source; 40 dB was compared with correlating level
envelopes on recorded notes, which slips by tens of ms on slow attacks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from shared.units import seconds_to_samples

if TYPE_CHECKING:
    import numpy.typing as npt

    from shared.types import FloatArray

__all__ = [
    "FLOOR_DB",
    "NoteSpan",
    "find_span",
    "frame_level_db",
    "moving_energy",
    "short_level_db",
]

FLOOR_DB = -120.0
SHORT_WINDOW_S = 0.001
FRAME_S = 0.01
ONSET_UNDER_PEAK_DB = 40.0
ONSET_ABOVE_FLOOR_DB = 10.0
END_ABOVE_FLOOR_DB = 6.0
END_UNDER_PEAK_DB = 80.0
# With less, nothing but the note is there.
LEAST_CONTRAST_DB = 12.0
SUSTAINED_S = 0.04
LONGEST_DIP_S = 0.01
MERGED_GAP_S = 0.05
QUIET_S = 0.2
LEAST_OTHER_FRAMES = 10
OTHER_UNDER_PEAK_DB = 20.0
# A stretch whose autocorrelation comes back to this share of its power is a tone.
TONAL_RATIO = 0.7
LONGEST_PERIOD_S = 0.04


@dataclass(frozen=True)
class NoteSpan:
    """First sample of a note, the one after it, and the noise floor in dB under its highest level.

    `others` are first samples of other sounds: within 20 dB of the note, 0.1 s long at least.
    """

    onset: int
    end: int
    noise_floor_db: float
    others: tuple[int, ...] = ()


def _to_db(power: FloatArray) -> FloatArray:
    """Turn mean squares into dB, not below FLOOR_DB."""
    return np.asarray(10.0 * np.log10(np.maximum(power, 10.0 ** (FLOOR_DB / 10.0))))


def moving_energy(signal: FloatArray, n_window: int) -> FloatArray:
    """Return the sums of squares of all windows within a signal, one sample apart."""
    total = np.concatenate([[0.0], np.cumsum(signal**2)])
    return np.asarray(total[n_window:] - total[:-n_window])


def short_level_db(signal: FloatArray, *, sample_rate_hz: int) -> FloatArray:
    """Return the level of the last millisecond at every sample; silence is assumed before them."""
    n_window = max(1, seconds_to_samples(SHORT_WINDOW_S, sample_rate_hz))
    return _to_db(moving_energy(np.pad(signal, (n_window - 1, 0)), n_window) / n_window)


def frame_level_db(signal: FloatArray, *, n_frame: int) -> FloatArray:
    """Return the level of consecutive frames; the last one may be shorter."""
    starts = np.arange(0, signal.size, n_frame)
    counts = np.minimum(n_frame, signal.size - starts)
    return _to_db(np.add.reduceat(signal**2, starts) / counts)


def find_span(signal: FloatArray, *, sample_rate_hz: int) -> NoteSpan | None:
    """Find a note and the noise around it; None if nothing stands out of it for 30 ms at least."""
    n_frame = seconds_to_samples(FRAME_S, sample_rate_hz)
    frames = frame_level_db(signal, n_frame=n_frame)
    body = _loudest_stretch(frames, _first_threshold_db(frames))
    if body is None:
        return None
    floor = _noise_floor_db(signal, frames, body, sample_rate_hz)
    threshold = max(frames[slice(*body)].max() - ONSET_UNDER_PEAK_DB, floor + ONSET_ABOVE_FLOOR_DB)
    body = _loudest_stretch(frames, threshold) or body
    level = short_level_db(signal, sample_rate_hz=sample_rate_hz)
    first, last = body[0] * n_frame, min(body[1] * n_frame, signal.size)
    peak = float(level[first:last].max())
    threshold = max(peak - ONSET_UNDER_PEAK_DB, floor + ONSET_ABOVE_FLOOR_DB)
    onset = _sustained_crossing(level, max(0, first - n_frame), last, threshold, sample_rate_hz)
    quiet = max(floor + END_ABOVE_FLOOR_DB, peak - END_UNDER_PEAK_DB)
    end = min(_frames_until_quiet(frames, body[1], quiet) * n_frame, signal.size)
    relative = FLOOR_DB if floor <= FLOOR_DB else max(FLOOR_DB, min(0.0, floor - peak))
    others = tuple(
        start * n_frame
        for start, stop in _stretches(frames, threshold)
        if (stop <= body[0] or start >= body[1])
        and stop - start >= LEAST_OTHER_FRAMES
        and frames[start:stop].max() >= frames[slice(*body)].max() - OTHER_UNDER_PEAK_DB
    )
    end = min([end, *(other for other in others if other >= last)])
    return NoteSpan(onset, end, relative, others)


def _frames_until_quiet(frames: FloatArray, last: int, quiet_db: float) -> int:
    """Return the frame at which the sound after frame `last` has gone, for 0.2 s at least."""
    sounding = last + np.flatnonzero(frames[last:] >= quiet_db)
    gaps = np.diff(np.concatenate([[last - 1], sounding]))
    ends = np.flatnonzero(gaps > round(QUIET_S / FRAME_S))
    sounding = sounding[: ends[0]] if ends.size else sounding
    return int(sounding[-1]) + 1 if sounding.size else last


def _first_threshold_db(frames: FloatArray) -> float:
    """Return the level above which something sounds, before anything is known of the noise."""
    peak, quietest = frames.max(), _moving_mean(frames, 5).min()
    if peak - quietest < LEAST_CONTRAST_DB:
        return float(peak - ONSET_UNDER_PEAK_DB)
    lowest = max(peak - ONSET_UNDER_PEAK_DB, quietest + ONSET_ABOVE_FLOOR_DB)
    return float(min(lowest, peak - ONSET_ABOVE_FLOOR_DB))


def _moving_mean(values: FloatArray, n: int) -> FloatArray:
    """Average over up to `n` consecutive values."""
    n = min(n, values.size)
    return np.convolve(values, np.full(n, 1.0 / n), mode="valid")


def _loudest_stretch(frames: FloatArray, threshold_db: float) -> tuple[int, int] | None:
    """Return the stretch of frames with most sound above the threshold, gaps closed.

    Each frame counts with its dB above the threshold: a click is loud but short.
    """
    stretches = _stretches(frames, threshold_db)
    if not stretches:
        return None

    def sound(stretch: tuple[int, int]) -> float:
        return float(np.sum(np.maximum(frames[slice(*stretch)] - threshold_db, 0.0)))

    return max(stretches, key=sound)


def _stretches(frames: FloatArray, threshold_db: float) -> list[tuple[int, int]]:
    """Return all stretches above a threshold that have three loud frames, short gaps closed."""
    above = np.flatnonzero(frames >= threshold_db)
    longest_gap = round(MERGED_GAP_S / FRAME_S)
    groups = np.split(above, np.flatnonzero(np.diff(above) > longest_gap) + 1)
    return [(int(group[0]), int(group[-1]) + 1) for group in groups if group.size >= 3]


def _noise_floor_db(
    signal: FloatArray, frames: FloatArray, body: tuple[int, int], sample_rate_hz: int
) -> float:
    """Return the noise level before or after the note, FLOOR_DB if there is none to measure."""
    n_frame = seconds_to_samples(FRAME_S, sample_rate_hz)
    guard = 3
    before = slice(0, max(0, body[0] - guard))
    after = slice(min(body[1] + guard, frames.size), frames.size)
    floors = []
    for part, shortest, is_tail in ((before, 4, False), (after, 10, True)):
        levels = frames[part]
        if levels.size < shortest:
            continue
        sound = signal[part.start * n_frame : part.stop * n_frame]
        if _is_noise(sound, levels, sample_rate_hz, is_tail=is_tail):
            floors.append(float(np.median(levels)))
    return min(floors, default=FLOOR_DB)


def _is_noise(
    sound: FloatArray, levels: FloatArray, sample_rate_hz: int, *, is_tail: bool
) -> bool:
    """Tell noise and hum from a slow attack or a long release, which are tones that change."""
    half = levels.size // 2
    change = abs(float(np.median(levels[:half]) - np.median(levels[half:])))
    # A tail may be long and slow, so it has to be flatter before it counts as hum.
    is_flat = change < (1.0 if is_tail else 3.0) and (not is_tail or levels.size >= 30)
    return is_flat or not _is_tonal(sound, sample_rate_hz)


def _is_tonal(sound: FloatArray, sample_rate_hz: int) -> bool:
    """Return whether the autocorrelation comes back to a high value, at lags up to 40 ms."""
    sound = sound[-seconds_to_samples(0.2, sample_rate_hz) :]
    sound = sound - sound.mean()
    power = float(np.sum(sound**2))
    if power <= sound.size * 10.0 ** (FLOOR_DB / 10.0):
        return False
    n_fft = 1 << (2 * sound.size - 1).bit_length()
    correlation = np.fft.irfft(np.abs(np.fft.rfft(sound, n_fft)) ** 2, n_fft)
    n_lags = min(seconds_to_samples(LONGEST_PERIOD_S, sample_rate_hz), sound.size // 2)
    lags = np.arange(n_lags)
    # Unbiased by the number of products in each lag.
    correlation = correlation[:n_lags] / power * sound.size / (sound.size - lags)
    negative = np.flatnonzero(correlation < 0.0)
    return negative.size > 0 and float(correlation[negative[0] :].max()) > TONAL_RATIO


def _sustained_crossing(
    level: FloatArray, first: int, last: int, threshold_db: float, sample_rate_hz: int
) -> int:
    """Return the first sample above the threshold that a note follows, not a click."""
    n_ahead = seconds_to_samples(SUSTAINED_S, sample_rate_hz)
    n_dip = seconds_to_samples(LONGEST_DIP_S, sample_rate_hz)
    is_above = level[first:last] >= threshold_db
    starts = np.flatnonzero(np.diff(is_above, prepend=False) & is_above)
    for start in starts:
        if _longest_run(~is_above[start : start + n_ahead]) < n_dip:
            return first + int(start)
    return first + int(starts[0]) if starts.size else first


def _longest_run(flags: npt.NDArray[np.bool_]) -> int:
    """Return the length of the longest run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]])))
    return int((edges[1::2] - edges[::2]).max()) if edges.size else 0
