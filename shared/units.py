"""Conversions between the units of the project.

Every conversion is named from its source to its target and lives here, nowhere else. All of
them take a float or an array of float64 and return the same kind and shape; a `ParameterError`
refuses a frequency, rate or ratio that isn't finite and above 0.

Conventions: equal temperament with ``midi_pitch`` 69 = A4 = 440 Hz [1]_ [2]_; 1200 cents to the
octave [3]_, and an octave is the ratio 2 [4]_; amplitudes in dB are 20 log10 of the ratio to
1 [5]_.

References
----------
.. [1] ISO 16:1975, "Acoustics - Standard tuning frequency (Standard musical pitch)".
.. [2] MIDI 1.0 Detailed Specification, MIDI Manufacturers Association: note numbers.
.. [3] A. J. Ellis, "On the musical scales of various nations", Journal of the Society of Arts 33
   (1885), p. 487.
.. [4] ISO 80000-3:2006, "Quantities and units - Space and time": logarithmic frequency interval.
.. [5] IEC 60027-3:2002, "Letter symbols to be used in electrical technology - Logarithmic and
   related quantities, and their units".
"""

from __future__ import annotations

from typing import TypeVar, cast, overload

import numpy as np
import numpy.typing as npt

from shared.errors import ParameterError
from shared.types import FloatArray

__all__ = [
    "amplitude_to_db",
    "cents_to_ratio",
    "db_to_amplitude",
    "hz_to_midi",
    "midi_to_hz",
    "octaves_to_ratio",
    "ratio_to_cents",
    "samples_to_seconds",
    "seconds_to_samples",
]

A4_HZ = 440.0
A4_MIDI_PITCH = 69.0
CENTS_PER_OCTAVE = 1200.0
SEMITONES_PER_OCTAVE = 12.0

FloatOrArray = TypeVar("FloatOrArray", float, FloatArray)


def midi_to_hz(midi_pitch: FloatOrArray) -> FloatOrArray:
    """Convert MIDI pitch, 69 = A4, to frequency in Hz."""
    return _same_kind(
        midi_pitch, A4_HZ * np.exp2((midi_pitch - A4_MIDI_PITCH) / SEMITONES_PER_OCTAVE)
    )


def hz_to_midi(frequency_hz: FloatOrArray) -> FloatOrArray:
    """Convert frequency in Hz to MIDI pitch, 69 = A4."""
    _check_positive("frequency_hz", frequency_hz, unit="Hz")
    return _same_kind(
        frequency_hz, A4_MIDI_PITCH + SEMITONES_PER_OCTAVE * np.log2(frequency_hz / A4_HZ)
    )


def cents_to_ratio(interval_cents: FloatOrArray) -> FloatOrArray:
    """Convert an interval, 100 cents to the semitone, to a frequency ratio."""
    return _same_kind(interval_cents, np.exp2(interval_cents / CENTS_PER_OCTAVE))


def ratio_to_cents(ratio: FloatOrArray) -> FloatOrArray:
    """Convert a frequency ratio to an interval in cents."""
    _check_positive("ratio", ratio)
    return _same_kind(ratio, CENTS_PER_OCTAVE * np.log2(ratio))


def octaves_to_ratio(interval_octaves: FloatOrArray) -> FloatOrArray:
    """Convert an interval in octaves to a frequency ratio."""
    return _same_kind(interval_octaves, np.exp2(interval_octaves))


def db_to_amplitude(level_db: FloatOrArray) -> FloatOrArray:
    """Convert a level in dB relative to amplitude 1 to an amplitude; -inf dB is 0."""
    return _same_kind(level_db, np.power(10.0, level_db / 20.0))


def amplitude_to_db(amplitude: FloatOrArray) -> FloatOrArray:
    """Convert an amplitude, 0 or above, to a level in dB; amplitude 0 gives -inf, with no warning.

    A `ParameterError` refuses what is negative or not a number.
    """
    if not np.all(np.asarray(amplitude) >= 0.0):
        bad = _first_where(amplitude, ~(np.asarray(amplitude) >= 0.0))
        raise ParameterError(
            f"amplitude is {bad:g}; it must be 0 or above. Take the absolute value first.",
            name="amplitude",
        )
    with np.errstate(divide="ignore"):
        return _same_kind(amplitude, 20.0 * np.log10(amplitude))


@overload
def seconds_to_samples(duration_s: float, sample_rate_hz: float) -> int: ...
@overload
def seconds_to_samples(duration_s: FloatArray, sample_rate_hz: float) -> npt.NDArray[np.int64]: ...
def seconds_to_samples(
    duration_s: float | FloatArray, sample_rate_hz: float
) -> int | npt.NDArray[np.int64]:
    """Convert a time, which must be finite, to the nearest whole number of samples.

    Halves go to the even neighbour.
    """
    _check_positive("sample_rate_hz", sample_rate_hz, unit="Hz")
    if not np.all(np.isfinite(duration_s)):
        bad = _first_where(duration_s, ~np.isfinite(np.asarray(duration_s)))
        raise ParameterError(
            f"duration_s is {bad:g} s; only a finite time has a number of samples.",
            name="duration_s",
        )
    counts = np.rint(np.asarray(duration_s) * sample_rate_hz).astype(np.int64)
    return int(counts) if counts.ndim == 0 else counts


def samples_to_seconds(n_samples: FloatOrArray, sample_rate_hz: float) -> FloatOrArray:
    """Convert a number of samples, or a place between two, to a time in s."""
    _check_positive("sample_rate_hz", sample_rate_hz, unit="Hz")
    return _same_kind(n_samples, np.divide(n_samples, sample_rate_hz))


def _same_kind(argument: FloatOrArray, result: float | FloatArray) -> FloatOrArray:
    """Give a float for a float: numpy's scalars print and serialise as ``np.float64(...)``."""
    return cast("FloatOrArray", float(result) if np.ndim(argument) == 0 else result)


def _first_where(values: float | FloatArray, is_bad: npt.NDArray[np.bool_]) -> float:
    """Return the first offending value, for the message."""
    return float(np.asarray(values)[is_bad].flat[0])


def _check_positive(name: str, values: float | FloatArray, *, unit: str = "") -> None:
    """Refuse values that aren't finite and above 0."""
    array = np.asarray(values)
    is_good = (array > 0.0) & np.isfinite(array)
    if not np.all(is_good):
        bad = _first_where(values, ~is_good)
        raise ParameterError(
            f"{name} is {bad:g} {unit}".rstrip() + "; it must be finite and above 0.", name=name
        )
