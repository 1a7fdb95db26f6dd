"""The gate of a note: when the key went up.

It ends where the level begins to fall for good: at the corner of the level in dB where it turns
steeper downwards, falls far, and doesn't come back. A sound that only decays has no such corner,
and its gate is the whole sounding part. The corners are those of four straight lines, since decay,
sustain, release and what rings on after it are about straight in dB.

All thresholds are common practice, no source; they were set on 1008 known envelopes (attack 2 to
200 ms, decay, sustain, release, gate, with and without noise) and on recorded notes.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.target.envelope import ABOVE_FLOOR_DB, LEVEL_HOP_S

if TYPE_CHECKING:
    import numpy.typing as npt

    from matcher.target.model import LevelTrack
    from shared.types import FloatArray

__all__ = ["GateEstimate", "find_gate"]

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
class GateEstimate:
    """When the key went up.

    Parameters
    ----------
    end_s : float
        End of the gate in s from the start of the level track.
    is_open : bool
        True if the sound is still loud at the end of the level track.
    """

    end_s: float
    is_open: bool


def find_gate(
    track: LevelTrack, *, peak_s: float, settle_s: float, noise_floor_db: float
) -> GateEstimate:
    """Find when the level begins to fall for good."""
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
