"""One key at one velocity, as it was measured."""

from __future__ import annotations

from collections.abc import Mapping  # noqa: TC003  fields are resolved when a file is read
from dataclasses import dataclass

__all__ = ["KeyRow"]


@dataclass(frozen=True)
class KeyRow:
    """One key at one velocity.

    Parameters
    ----------
    midi_pitch : float
        The key.
    pitch_name : str
        Its name.
    velocity : int
        How hard it is struck.
    loudness_lufs : float or None
        Integrated loudness (ITU-R BS.1770) at the level of the patch; None for silence.
    true_peak_dbtp : float or None
        True peak against the headroom of the patch: above 0 it clips. None for silence.
    brightness_hz : float or None
        Spectral centroid while the key is held; None for silence.
    brightness_ratio : float or None
        The same over the frequency of the key.
    lfo_rates_hz, lfo_depths : mapping of str to float
        Rates of the LFOs that are heard, in Hz, and depths (cents, or share of the period) at
        this key.
    aliasing_db : float or None
        Power of what folds back at half the sampling rate, against the whole, in dB; None for
        silence.
    problems : tuple of str
        What breaks here, in a few words each.
    """

    midi_pitch: float
    pitch_name: str
    velocity: int
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    brightness_hz: float | None
    brightness_ratio: float | None
    lfo_rates_hz: Mapping[str, float]
    lfo_depths: Mapping[str, float]
    aliasing_db: float | None
    problems: tuple[str, ...] = ()
