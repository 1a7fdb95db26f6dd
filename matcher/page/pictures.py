"""What a sound looks like: a spectrogram and its level, small enough to be sent as numbers.

The browser paints what moves with them: a player's strip, marks that are dragged, a search.
"""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING

import numpy as np

from matcher.plots import measure_spectrogram

if TYPE_CHECKING:
    from shared import FloatArray

N_LEVELS = 480
# What is softer than this under the loudest moment is dark: the range that one ear has within a
# sound; common practice, no source.
RANGE_DB = 70.0
# Longer than the period of C2 (15 ms), so that no waveform is drawn, and shorter than an attack
# that an ear calls slow.
_LEVEL_WINDOW_S = 0.016


def picture(signal: FloatArray, sample_rate_hz: int) -> dict[str, object]:
    """Make the picture of a sound.

    ``spectrogram`` is base64 of ``n_bands * n_columns`` bytes, lowest band first, 255 for the
    loudest and 0 for `RANGE_DB` under it; ``level_db`` is RMS under the loudest moment.
    """
    sound = np.asarray(signal, dtype=np.float64)
    (measured,) = measure_spectrogram(sound, sample_rate_hz=sample_rate_hz)
    grey = np.clip(255.0 * (1.0 + measured.level_db / RANGE_DB), 0.0, 255.0).astype(np.uint8)
    return {
        "duration_s": sound.size / sample_rate_hz,
        "n_bands": grey.shape[0],
        "n_columns": grey.shape[1],
        "band_hz": [round(float(hz), 1) for hz in measured.bands_hz],
        "spectrogram": base64.b64encode(grey.tobytes()).decode("ascii"),
        "level_db": [round(float(x), 2) for x in _levels(sound, sample_rate_hz)],
        "range_db": RANGE_DB,
    }


def _levels(sound: FloatArray, rate: int) -> FloatArray:
    """Measure the level around equally spaced moments, in dB under the loudest one."""
    n_moments = min(N_LEVELS, max(1, sound.size // 16))
    middles = np.linspace(0, sound.size, n_moments).astype(int)
    half = max(1, int(_LEVEL_WINDOW_S * rate / 2))
    first, last = np.maximum(middles - half, 0), np.minimum(middles + half, sound.size)
    total = np.concatenate([[0.0], np.cumsum(sound**2)])
    power = (total[last] - total[first]) / (2 * half)
    peak = max(float(power.max(initial=0.0)), 1e-18)
    levels: FloatArray = 10.0 * np.log10(np.maximum(power / peak, 10.0 ** (-RANGE_DB / 10.0)))
    return levels
