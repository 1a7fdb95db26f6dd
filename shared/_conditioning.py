"""From the channels of a file to one usable signal, saying what was assumed on the way."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shared.errors import AudioError
from shared.units import amplitude_to_db, db_to_amplitude

if TYPE_CHECKING:
    from collections.abc import Callable

    from shared.types import FloatArray

__all__: list[str] = []

# A peak below this is silence: dither alone peaks at one step of 16 bits, -90 dBFS.
SILENCE_DBFS = -80.0
# Folding two unrelated channels loses 3 dB; a loss above this means that they cancel.
_FOLD_LOSS_DB = 6.0
_DC_DB = -40.0
# Three samples in a row at the peak: a converter that runs out of numbers.
_CLIPPED_RUN = 3
# Full scale of 16 bits is 32767/32768; 12-bit and dithered files stop a little lower.
_FULL_SCALE = 0.999


def to_usable_mono(channels: FloatArray, source: str, warn: Callable[[str], None]) -> FloatArray:
    """Check the samples, (n, n_channels), fold them, and take the offset off."""
    _check_finite(channels, source)
    _warn_if_clipped(channels, source, warn)
    mono = _fold(channels, source, warn)
    _check_audible(mono, source)
    return _without_offset(mono, source, warn)


def _check_finite(channels: FloatArray, source: str) -> None:
    """Refuse NaN and infinity, which float files can hold."""
    is_finite = np.isfinite(channels)
    if not is_finite.all():
        place = int(np.argwhere(~is_finite)[0][0])
        raise AudioError(
            f"{source}: sample {place} is {channels[~is_finite][0]}; only finite samples are "
            "accepted. Export the recording anew.",
            path=source,
            value=place,
        )


def _check_audible(mono: FloatArray, source: str) -> None:
    """Refuse silence."""
    peak_dbfs = amplitude_to_db(float(np.max(np.abs(mono))))
    if peak_dbfs < SILENCE_DBFS:
        raise AudioError(
            f"{source} is silent: its peak is {peak_dbfs:.1f} dBFS; {SILENCE_DBFS:g} dBFS or more "
            "is accepted. Check the recording level.",
            path=source,
            value=peak_dbfs,
        )


def _warn_if_clipped(channels: FloatArray, source: str, warn: Callable[[str], None]) -> None:
    """Look for runs of samples that stand still at full scale."""
    peak = float(np.max(np.abs(channels)))
    if peak < _FULL_SCALE or len(channels) < _CLIPPED_RUN:
        return
    is_at_peak = np.abs(channels) >= peak
    windows = np.lib.stride_tricks.sliding_window_view(is_at_peak, _CLIPPED_RUN, axis=0)
    if windows.all(axis=-1).any():
        warn(
            f"{source} is clipped: {_CLIPPED_RUN} or more samples in a row stand still at full "
            "scale. The match will take the distortion for part of the sound; record it again at "
            "a lower level if you can."
        )


def _fold(channels: FloatArray, source: str, warn: Callable[[str], None]) -> FloatArray:
    """Average the channels, or take the loudest where the average would lose the sound."""
    if channels.shape[1] == 1:
        return channels[:, 0].copy()
    mono: FloatArray = channels.mean(axis=1)
    powers = np.mean(channels**2, axis=0)
    loss_ratio = float(np.mean(mono**2)) / max(float(powers.mean()), np.finfo(np.float64).tiny)
    if not float(powers.mean()) > 0.0 or loss_ratio >= 10.0 ** (-_FOLD_LOSS_DB / 10.0):
        return mono
    loudest = int(np.argmax(powers))
    warn(
        f"{source}: the {channels.shape[1]} channels cancel when they are folded to one (more "
        f"than {_FOLD_LOSS_DB:g} dB are lost), so channel {loudest + 1}, the loudest, is used "
        "alone. Export the channel that you want to choose another."
    )
    return channels[:, loudest].copy()


def _without_offset(mono: FloatArray, source: str, warn: Callable[[str], None]) -> FloatArray:
    """Take a constant offset off, and refuse a file that holds nothing else."""
    offset = float(mono.mean())
    if abs(offset) <= db_to_amplitude(_DC_DB) * float(np.max(np.abs(mono))):
        return mono
    centred: FloatArray = mono - offset
    if float(np.max(np.abs(centred))) < db_to_amplitude(SILENCE_DBFS):
        raise AudioError(
            f"{source} holds only a constant offset of {offset:.3f} and no sound. Check the "
            "recording chain.",
            path=source,
            value=offset,
        )
    warn(
        f"{source} had a constant offset of {offset:.3f}, which was taken off. Nothing needs to "
        "be done; a fault in the recording chain may be the cause."
    )
    return centred
