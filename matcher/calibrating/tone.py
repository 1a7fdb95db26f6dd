"""Cutoff, resonance, high-pass and pulse width, from the partials of a held note.

The oscillator's own partials are known: a sawtooth has 1/n, a pulse of width w has
|sin(pi n w)|/n (Fourier series). What is left is the filter's response, of the prototypes that
the voice has; see `voice.lowpass`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.calibrating.fitting import Fit, best_fit
from matcher.calibrating.model import Measured
from shared import TargetError

if TYPE_CHECKING:
    from matcher.calibrating.partials import HeldPartials
    from shared import FloatArray

__all__ = [
    "fit_highpass",
    "fit_lowpass",
    "fit_pulse_width",
    "lowpass_db",
    "sawtooth_db",
    "source_db",
]

FEWEST_PARTIALS = 4
LOWEST_HZ, HIGHEST_HZ = 15.0, 24_000.0
# A cutoff is told by partials that it takes away: this much at least, of the highest one.
LEAST_LOSS_DB = 3.0
_GRID = 60
# Partials times their numbers have an RMS of 0.7 in a pulse.
LARGEST_PULSE_RMS = 0.2


def sawtooth_db(numbers: FloatArray) -> FloatArray:
    """Return the levels of a sawtooth's partials in dB, 0 for the fundamental."""
    return np.asarray(-20.0 * np.log10(numbers), dtype=np.float64)


def source_db(partials: HeldPartials, reference: HeldPartials | None) -> FloatArray:
    """Return what comes out of the oscillator, partial by partial.

    Parameters
    ----------
    partials : HeldPartials
        Of the recording.
    reference : HeldPartials or None
        Of the same note with the filter out of the way; None takes an ideal sawtooth.

    Returns
    -------
    np.ndarray, shape=(n_partials,)
        Levels in dB; NaN where the reference has no such partial.
    """
    if reference is None:
        return sawtooth_db(partials.numbers)
    known = dict(zip(reference.numbers.tolist(), reference.level_db.tolist(), strict=True))
    return np.array([known.get(number, np.nan) for number in partials.numbers.tolist()])


def lowpass_db(
    hz: FloatArray, cutoff_hz: float | FloatArray, resonance_ratio: float, slope_db: float
) -> FloatArray:
    """Return the response of the voice's low-pass prototypes.

    Parameters
    ----------
    hz : np.ndarray
        Frequencies in Hz.
    cutoff_hz : float or np.ndarray that goes with `hz`
        Cutoff in Hz.
    resonance_ratio : float, 0 <= resonance_ratio < 1
        Resonance of the voice.
    slope_db : {12, 24}
        dB per octave.

    Returns
    -------
    np.ndarray
        Gain in dB, 0 far below the cutoff.
    """
    s = 1j * hz / cutoff_hz
    if slope_db == 24.0:
        feedback = 4.0 * resonance_ratio
        loss = np.abs(((1.0 + s) ** 4 + feedback) / (1.0 + feedback))
    else:
        loss = np.abs(s**2 + 2.0 * (1.0 - resonance_ratio) * s + 1.0)
    return np.asarray(-20.0 * np.log10(loss), dtype=np.float64)


def fit_lowpass(
    partials: HeldPartials, reference: HeldPartials | None, *, slope_db: float
) -> tuple[Measured, Measured]:
    """Fit cutoff and resonance.

    Parameters
    ----------
    partials : HeldPartials
        Of a sawtooth through the filter.
    reference : HeldPartials or None
        Of the same note with the filter open.
    slope_db : {12, 24}
        Steepness of the filter in dB per octave.

    Returns
    -------
    cutoff, resonance : Measured
        In Hz, and as the voice's ratio.

    Raises
    ------
    TargetError
        If too few partials stand out of the noise.
    """
    source = source_db(partials, reference)
    hz, level_db, error_db, source = _usable(partials, source)

    def residuals(x: FloatArray) -> FloatArray:
        model = x[2] + source + lowpass_db(hz, 2.0 ** x[0], x[1], slope_db)
        return np.asarray((level_db - model) / error_db, dtype=np.float64)

    low = np.array([np.log2(LOWEST_HZ), 0.0, -200.0])
    high = np.array([np.log2(HIGHEST_HZ), 0.995, 200.0])
    # From the lowest partial to beyond the highest, dull and resonant.
    octaves = np.linspace(np.log2(0.3 * hz[0]), np.log2(3.0 * hz[-1]), 8)
    starts = [
        np.array([octave, resonance, float(level_db[0] - source[0])])
        for octave in octaves
        for resonance in (0.05, 0.7)
    ]
    fit = best_fit(residuals, starts, low, high, least_variance=1.0)
    cutoff_hz = float(2.0 ** fit.values[0])
    remarks = _filter_remarks(hz, cutoff_hz, fit, slope_db)
    return (
        Measured(cutoff_hz, cutoff_hz * float(np.log(2.0) * fit.errors[0]), remarks),
        Measured(float(fit.values[1]), float(fit.errors[1]), remarks),
    )


def _usable(
    partials: HeldPartials, source: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Keep the partials that both the recording and its source have."""
    is_known = np.isfinite(source)
    if is_known.sum() < FEWEST_PARTIALS:
        raise TargetError(
            f"{int(is_known.sum())} partials stand out of the noise; {FEWEST_PARTIALS} or more "
            "are needed. Record a sawtooth on a lower key, louder.",
            name="partials",
        )
    return (
        partials.hz[is_known],
        partials.level_db[is_known],
        partials.error_db[is_known],
        source[is_known],
    )


def _filter_remarks(
    hz: FloatArray, cutoff_hz: float, fit: Fit, slope_db: float
) -> tuple[str, ...]:
    """Say what the recording does not tell."""
    remarks = []
    loss_db = -float(lowpass_db(hz[-1:], cutoff_hz, 0.0, slope_db)[0])
    if loss_db < LEAST_LOSS_DB:
        remarks.append(
            f"the highest partial, {hz[-1]:.0f} Hz, is hardly softened: the filter is open, and "
            "the cutoff may lie anywhere above"
        )
    if cutoff_hz < 0.8 * hz[0]:
        remarks.append(
            f"the cutoff lies below the fundamental, {hz[0]:.0f} Hz: record a lower key"
        )
    # Residuals are in standard errors.
    if fit.rms > 4.0:
        remarks.append(
            f"the partials lie {fit.rms:.0f} standard errors beside the response of a "
            f"{slope_db:.0f} dB/octave filter: is it a sawtooth alone, without envelope, and is "
            "this the slope? A recording with the filter open helps (--reference)"
        )
    return tuple(remarks)


def fit_highpass(partials: HeldPartials, reference: HeldPartials | None) -> Measured:
    """Fit the corner of a 6 dB/octave high-pass.

    Parameters
    ----------
    partials : HeldPartials
        Of a sawtooth through the high-pass, with the low-pass open.
    reference : HeldPartials or None
        Of the same note with both out of the way.

    Returns
    -------
    Measured
        Corner in Hz.

    Raises
    ------
    TargetError
        If too few partials stand out of the noise.
    """
    hz, level_db, error_db, source = _usable(partials, source_db(partials, reference))

    def residuals(x: FloatArray) -> FloatArray:
        model = x[1] + source - 10.0 * np.log10(1.0 + (2.0 ** x[0] / hz) ** 2)
        return np.asarray((level_db - model) / error_db, dtype=np.float64)

    low, high = np.array([2.0, -200.0]), np.array([13.0, 200.0])
    gain = float(level_db[-1] - source[-1])
    starts = [np.array([octave, gain]) for octave in range(3, 13)]
    fit = best_fit(residuals, starts, low, high, least_variance=1.0)
    corner_hz = float(2.0 ** fit.values[0])
    remarks = []
    if corner_hz < 0.3 * hz[0]:
        remarks.append(
            f"the corner lies far below the fundamental, {hz[0]:.0f} Hz: record a lower key"
        )
    return Measured(corner_hz, corner_hz * float(np.log(2.0) * fit.errors[0]), tuple(remarks))


def fit_pulse_width(partials: HeldPartials) -> Measured:
    """Fit the width of a pulse; w and 1 - w sound alike, so it is 0.5 at most.

    Parameters
    ----------
    partials : HeldPartials
        Of a pulse with the filters open.

    Returns
    -------
    Measured
        Width as a ratio.

    Raises
    ------
    TargetError
        If too few partials stand out of the noise.
    """
    numbers, level_db = partials.numbers, partials.level_db
    if numbers.size < FEWEST_PARTIALS:
        _usable(partials, np.full_like(numbers, np.nan))
    amplitude = 10.0 ** ((level_db - level_db.max()) / 20.0)

    def residuals(x: FloatArray) -> FloatArray:
        model = x[1] * np.abs(np.sin(np.pi * numbers * x[0])) / numbers
        # Weighted by the number, so that the many high partials count, too.
        return np.asarray((amplitude - model) * numbers, dtype=np.float64)

    # A quarter of a dB, 3 %, of each partial is not the oscillator's.
    error = 0.03
    starts = [np.array([width, 1.0]) for width in np.linspace(0.03, 0.5, _GRID)]
    low, high = np.array([0.01, 0.0]), np.array([0.5, 10.0])
    fit = best_fit(residuals, starts, low, high, least_variance=error**2)
    text = "the partials are not those of a pulse: is the filter open, and nothing else on?"
    remarks: tuple[str, ...] = (text,) if fit.rms > LARGEST_PULSE_RMS else ()
    return Measured(float(fit.values[0]), float(fit.errors[0]), remarks)
