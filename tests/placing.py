"""Place a match on its target before the two are compared: onset, length, level.

Conventions
-----------
- *Onset.* The first sample at which the level (RMS of the last 1 ms) reaches 40 dB under its
  highest value. Correlating level envelopes instead slips by tens of milliseconds on slow attacks.
- *Length.* Up to the later of the two ends (last sample at which the level is within 60 dB of
  its highest value), but never beyond the end of the target's recording. A match that ends
  earlier is continued with silence. Silence at either end of a recording changes nothing.
- *Level.* Both are scaled to an RMS of 1 over the stretch that is compared (energy gain). The
  waveform gain of least squares would depend on the phases of free-running oscillators.
"""

import numpy as np

from shared.errors import ParameterError
from shared.types import FloatArray

ONSET_UNDER_PEAK_DB = 40.0
END_UNDER_PEAK_DB = 60.0
LEVEL_WINDOW_S = 0.001


def validate(target: FloatArray, match: FloatArray, sample_rate_hz: int) -> None:
    """Refuse what can't be judged."""
    if not 8_000 <= sample_rate_hz <= 48_000:
        raise ParameterError(
            f"sample_rate_hz is {sample_rate_hz} Hz; it must be 8000 to 48000. Resample first."
        )
    for name, signal in (("target", target), ("match", match)):
        if signal.ndim != 1 or signal.size == 0:
            raise ParameterError(
                f"{name} has the shape {signal.shape}; it must be one row of samples. "
                "Fold it to mono first."
            )
        if not np.isfinite(signal).all():
            raise ParameterError(f"{name} holds NaN or infinity; it must be finite samples.")
        if not signal.any():
            raise ParameterError(f"{name} is silent; a sound is needed. Check how it was made.")


def short_level(signal: FloatArray, sample_rate_hz: int) -> FloatArray:
    """Return the mean square of the last millisecond at each sample."""
    n_window = round(LEVEL_WINDOW_S * sample_rate_hz)
    window = np.full(n_window, 1.0 / n_window)
    return np.convolve(signal**2, window)[: signal.size]


def onset_sample(signal: FloatArray, sample_rate_hz: int) -> int:
    """Return the first sample whose 1 ms level is within 40 dB of the highest."""
    level = short_level(signal, sample_rate_hz)
    return int(np.argmax(level >= level.max() * 10.0 ** (-ONSET_UNDER_PEAK_DB / 10.0)))


def _n_until_end(signal: FloatArray, sample_rate_hz: int) -> int:
    """Return the number of samples up to the last one within 60 dB of the highest level."""
    level = short_level(signal, sample_rate_hz)
    is_heard = level >= level.max() * 10.0 ** (-END_UNDER_PEAK_DB / 10.0)
    return signal.size - int(np.argmax(is_heard[::-1]))


def place(
    target: FloatArray, match: FloatArray, sample_rate_hz: int
) -> tuple[FloatArray, FloatArray]:
    """Place both signals at their onsets, cut to one length, and scaled to an RMS of 1."""
    validate(target, match, sample_rate_hz)
    target = target[onset_sample(target, sample_rate_hz) :]
    match = match[onset_sample(match, sample_rate_hz) :]
    n_heard = max(_n_until_end(signal, sample_rate_hz) for signal in (target, match))
    n_compared = min(n_heard, target.size)
    match = np.pad(match, (0, max(0, n_compared - match.size)))
    target, match = target[:n_compared], match[:n_compared]
    return target / np.sqrt(np.mean(target**2)), match / np.sqrt(np.mean(match**2))
