"""Modulation spectra: how deep level and pitch move, and how fast.

Magnitudes only, so that the phases of LFOs and beats don't count (S. D. Ewert and T. Dau,
"Characterizing frequency selectivity for envelope fluctuations", J. Acoust. Soc. Am. 108, 2000).
The loss measures the same in mel bands, `matcher.losses.movement`; here octaves are enough.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.plots.spectrogram import BANDS_PER_OCTAVE, FLOOR_DB, WINDOW_S

if TYPE_CHECKING:
    from matcher.plots.spectrogram import Spectrogram
    from shared import FloatArray

__all__ = ["Movement", "measure_movement"]

SLOWEST_HZ, FASTEST_HZ, STEP_HZ = 0.5, 20.0, 0.25
# The attack is no movement; it is judged by the front edge.
ATTACK_S = 0.1
SHORTEST_S = 0.25
# Octaves whose level lies on the floor at times would move by as much as the floor says.
HEADROOM_DB = 10.0


@dataclass(frozen=True, eq=False)
class Movement:
    """Depth of movement over its rate; empty where a note is too short to move.

    Parameters
    ----------
    rates_hz : np.ndarray, shape=(n_rates,), dtype=float64
        Rates in Hz, 0.5 to 20.
    level_db : np.ndarray, shape=(n_rates,), dtype=float64
        Depth of the movement of level in dB, root mean square over the octaves that sound. A
        sine of 1 dB to each side gives 1 at its rate.
    pitch_cents : np.ndarray, shape=(n_rates,), dtype=float64
        Depth of the movement of pitch in cents; empty without pitch.
    """

    rates_hz: FloatArray
    level_db: FloatArray
    pitch_cents: FloatArray


def measure_movement(
    spectrogram: Spectrogram,
    pitch: tuple[FloatArray, FloatArray],
    *,
    start_s: float,
    end_s: float,
) -> Movement:
    """Measure the movement of a held note.

    Parameters
    ----------
    spectrogram : Spectrogram
        Of the sound.
    pitch : tuple of np.ndarray
        Times in s and deviations in cents, NaN where none is heard; empty without pitch.
    start_s, end_s : float
        Where the key is held, in s.

    Returns
    -------
    Movement
        Of level, octave by octave, and of pitch.
    """
    begin_s = start_s + min(ATTACK_S, 0.5 * (end_s - start_s))
    if end_s - begin_s < SHORTEST_S:
        return Movement(np.zeros(0), np.zeros(0), np.zeros(0))
    # A rate needs one period within the note to be told from a slope.
    slowest_hz = max(SLOWEST_HZ, np.ceil(1.0 / (end_s - begin_s) / STEP_HZ) * STEP_HZ)
    rates_hz = np.arange(slowest_hz, FASTEST_HZ + 0.5 * STEP_HZ, STEP_HZ)
    # The last frames would look beyond the end of the key.
    octaves = _octave_levels(spectrogram, begin_s, end_s - 0.5 * WINDOW_S)
    depths = _depths(*octaves, rates_hz) if octaves[1].size else np.zeros((1, rates_hz.size))
    level_db = np.sqrt(np.mean(np.square(depths), axis=0))
    return Movement(rates_hz, level_db, _pitch_depths(*pitch, rates_hz, begin_s, end_s))


def _octave_levels(
    spectrogram: Spectrogram, begin_s: float, end_s: float
) -> tuple[FloatArray, FloatArray]:
    """Return the times, and the levels of the octaves that sound throughout, in dB."""
    is_held = (spectrogram.times_s >= begin_s) & (spectrogram.times_s <= end_s)
    power = 10.0 ** (spectrogram.level_db[:, is_held] / 10.0)
    n_octaves = power.shape[0] // BANDS_PER_OCTAVE
    octaves = power[: n_octaves * BANDS_PER_OCTAVE].reshape(n_octaves, BANDS_PER_OCTAVE, -1)
    levels = np.asarray(10.0 * np.log10(octaves.sum(axis=1)), dtype=np.float64)
    floor_db = FLOOR_DB + 10.0 * np.log10(BANDS_PER_OCTAVE)
    is_sounding = levels.min(axis=1, initial=np.inf) > floor_db + HEADROOM_DB
    return spectrogram.times_s[is_held], levels[is_sounding]


def _pitch_depths(
    times_s: FloatArray, cents: FloatArray, rates_hz: FloatArray, begin_s: float, end_s: float
) -> FloatArray:
    """Return the depths of the pitch's movement, empty where little of it is heard."""
    is_held = (times_s >= begin_s) & (times_s <= end_s) & np.isfinite(cents)
    if np.count_nonzero(is_held) < 0.5 * np.count_nonzero(
        (times_s >= begin_s) & (times_s <= end_s)
    ):
        return np.zeros(0)
    held_s = times_s[is_held]
    if held_s.size < 8 or held_s[-1] - held_s[0] < SHORTEST_S:
        return np.zeros(0)
    even_s = np.linspace(held_s[0], held_s[-1], held_s.size)
    depths = _depths(even_s, np.interp(even_s, held_s, cents[is_held])[None], rates_hz)
    return np.asarray(depths[0])


def _depths(times_s: FloatArray, tracks: FloatArray, rates_hz: FloatArray) -> FloatArray:
    """Return the amplitudes of tracks, shape (n_tracks, n_frames), at each rate.

    Means and slopes are taken off first.
    """
    offset = times_s - times_s.mean()
    centred = tracks - tracks.mean(axis=1, keepdims=True)
    slopes = (centred @ offset) / max(float(offset @ offset), 1e-12)
    centred -= slopes[:, None] * offset
    window = np.hanning(times_s.size + 2)[1:-1]
    waves = np.exp(-2j * np.pi * times_s[:, None] * rates_hz) * window[:, None]
    return np.asarray(2.0 * np.abs(centred @ waves) / window.sum())
