"""Up to which frequency a recording holds what was played.

A streaming codec, or a lower sampling rate on the way, leaves nothing above some frequency; an
instrument that is dark grows quieter over octaves. So a limit is where the spectrum of the whole
note falls off a cliff, and stays down to the end. What lies above isn't compared: a patch that
is quiet there would be taken for closer.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from shared.types import FloatArray

__all__ = ["band_limit_hz"]

N_FFT = 4096
# Lower ones are those of instruments: 5 of 30 recorded notes fall as steeply between 3 and 6 kHz.
LOWEST_HZ = 9_000.0
# Codecs fall by 30 dB and more within some hundred Hz (measured at 100 and 160 kbit/s); a
# low-pass of four poles falls by 1 dB there. Common practice, no source.
LEAST_CLIFF_DB = 20.0
WIDTH_HZ = 600.0
# So near to half of the rate a limit is the converter's own; above so many Hz nobody minds one.
NYQUIST_SHARE, HIGHEST_HZ = 0.88, 18_500.0
# What lies under that is heard by nobody, beside the strongest partial.
LOWEST_DB = -90.0


def band_limit_hz(
    signal: FloatArray, *, sample_rate_hz: int, pitch_hz: float | None = None
) -> float | None:
    """Find the frequency above which a recording of one note holds nothing; None without one."""
    padded = np.pad(signal, (0, max(N_FFT - signal.size, 0)))
    frames = np.lib.stride_tricks.sliding_window_view(padded, N_FFT)[:: N_FFT // 4]
    power = np.mean(np.abs(np.fft.rfft(frames * np.hanning(N_FFT))) ** 2, axis=0)
    if not power.any():
        return None
    level_db = 10.0 * np.log10(np.maximum(power / power.max(), 1e-16))
    step_hz = sample_rate_hz / N_FFT
    # Between two partials nothing is no limit.
    span = round(max(WIDTH_HZ, 1.5 * (pitch_hz or 0.0)) / step_hz)
    n_wide = round(WIDTH_HZ / step_hz)
    above_db = np.maximum.accumulate(level_db[::-1])[::-1]
    highest = min(NYQUIST_SHARE * level_db.size, HIGHEST_HZ / step_hz)
    last = min(round(highest) - n_wide // 2, level_db.size - span)
    for at in range(last, max(round(LOWEST_HZ / step_hz), span), -1):
        below_db = float(level_db[at - span : at].max())
        cliff_db = below_db - float(above_db[at + n_wide // 2])
        if below_db > LOWEST_DB and cliff_db >= LEAST_CLIFF_DB:
            return (at - n_wide // 2) * step_hz
    return None
