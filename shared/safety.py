"""Limits on what is written and played: sound hurts ears.

True peak and loudness are measured as in ITU-R BS.1770-5 and EBU R 128. The two limits are
ours: -1 dBTP is the highest true peak that EBU R 128 (2023) permits, and -16 LUFS is common
practice for listening on headphones, no source.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from shared.errors import AudioError
from shared.units import amplitude_to_db, db_to_amplitude, seconds_to_samples

if TYPE_CHECKING:
    from shared.types import FloatArray

__all__ = [
    "HEARING_CAUTION",
    "MAX_LOUDNESS_LUFS",
    "MAX_TRUE_PEAK_DBTP",
    "limit_level",
    "loudness_lufs",
    "true_peak_db",
]

MAX_TRUE_PEAK_DBTP = -1.0
MAX_LOUDNESS_LUFS = -16.0

HEARING_CAUTION = (
    "Start with the monitor level down and raise it slowly: resonant sweeps and exaggerated "
    "modulations are louder than they look. Files are limited to "
    f"{MAX_TRUE_PEAK_DBTP:g} dBTP and {MAX_LOUDNESS_LUFS:g} LUFS, but how loud that is depends on "
    "the amplifier and the headphones. Follow the local rules on noise exposure, and take "
    "professional advice on hearing."
)

# ITU-R BS.1770-5, Annex 2: four times 48 kHz; a higher factor only narrows the error.
_OVERSAMPLING = 4
# ITU-R BS.1770-5, Annex 1: gating blocks of 400 ms.
_BLOCK_S = 0.4
# Channels with a weight in BS.1770-5: left, right, centre, left and right surround.
_MAX_CHANNELS = 5


def true_peak_db(signal: FloatArray, sample_rate_hz: int) -> float:
    """Measure the true peak in dBTP: the peak of the waveform, also between the samples.

    Parameters
    ----------
    signal : np.ndarray, shape=(n_samples,) or (n_samples, n_channels), dtype=float64
        Finite samples, full scale is 1; else an `AudioError`.
    sample_rate_hz : int > 0
        Sampling rate in Hz.

    Returns
    -------
    float
        The largest of the channels; -inf for silence.

    Notes
    -----
    The signal is oversampled four times as in Recommendation ITU-R BS.1770-5 (2023), Annex 2, with
    soxr's filter in the place of the 48 taps that it gives as an example. A signal that starts or
    ends abruptly rings there, as it does in a converter.
    """
    import soxr  # noqa: PLC0415 - late, so that `earwright --help` stays quick

    _check_signal(signal)
    oversampled = soxr.resample(
        signal, sample_rate_hz, _OVERSAMPLING * sample_rate_hz, quality="VHQ"
    )
    peak = max(float(np.max(np.abs(signal))), float(np.max(np.abs(oversampled), initial=0.0)))
    return amplitude_to_db(peak)


def loudness_lufs(signal: FloatArray, sample_rate_hz: int) -> float:
    """Measure the integrated loudness in LUFS (LKFS).

    Parameters
    ----------
    signal : np.ndarray, shape=(n_samples,) or (n_samples, n_channels), dtype=float64
        Finite samples, full scale is 1, else an `AudioError`; up to five channels in the order
        left, right, centre, left surround, right surround.
    sample_rate_hz : int > 0
        Sampling rate in Hz.

    Returns
    -------
    float
        -inf if no block is louder than -70 LUFS.

    Notes
    -----
    The meter of Recommendation ITU-R BS.1770-5 (2023), Annex 1, knows blocks of 400 ms. A shorter
    signal is repeated until it fills one: padding it with silence would call a short, loud sound
    quiet, and here the figure protects ears. pyloudnorm's "DeMan" filters are those whose
    coefficients at 48 kHz stand in the tables there; its default ones read 0.04 dB less.
    """
    import pyloudnorm  # noqa: PLC0415 - late, as it imports scipy.signal

    _check_signal(signal)
    if signal.ndim == 2 and signal.shape[1] > _MAX_CHANNELS:
        raise AudioError(
            f"the signal has {signal.shape[1]} channels; loudness is defined for 1 to "
            f"{_MAX_CHANNELS}. Fold it first.",
            name="signal",
        )
    # One sample more than a block, as the product of block and rate may round up.
    n_needed = seconds_to_samples(_BLOCK_S, sample_rate_hz) + 1
    n_repeats = math.ceil(n_needed / signal.shape[0])
    repeated = np.concatenate([signal] * n_repeats) if n_repeats > 1 else signal
    meter = pyloudnorm.Meter(sample_rate_hz, filter_class="DeMan", block_size=_BLOCK_S)
    with np.errstate(divide="ignore", invalid="ignore"):
        return float(meter.integrated_loudness(repeated))


def limit_level(
    signal: FloatArray,
    sample_rate_hz: int,
    *,
    max_true_peak_dbtp: float = MAX_TRUE_PEAK_DBTP,
    max_loudness_lufs: float = MAX_LOUDNESS_LUFS,
) -> tuple[FloatArray, float]:
    """Turn a signal, as for `loudness_lufs`, down until it is within both limits; never up.

    Returns the signal times the gain, and the gain, above 0 and up to 1. Nothing else changes, so
    a comparison by ear stays fair.
    """
    excess_peak_db = true_peak_db(signal, sample_rate_hz) - max_true_peak_dbtp
    excess_loudness_db = loudness_lufs(signal, sample_rate_hz) - max_loudness_lufs
    gain = db_to_amplitude(-max(0.0, excess_peak_db, excess_loudness_db))
    return signal * gain, gain


def _check_signal(signal: FloatArray) -> None:
    """Refuse what can't be measured."""
    if signal.ndim not in {1, 2} or signal.size == 0:
        raise AudioError(
            f"the signal has shape {signal.shape}; it must be (n_samples,) or "
            "(n_samples, n_channels) with at least one sample.",
            name="signal",
        )
    is_finite = np.isfinite(signal)
    if not is_finite.all():
        place = int(np.argwhere(~is_finite)[0][0])
        raise AudioError(
            f"the signal is not finite at sample {place}; only finite samples can be measured.",
            name="signal",
        )
