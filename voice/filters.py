"""Filters by themselves: low-pass, high-pass, drive, body resonance, filter bank on any signal.

They run the kernels that the voice runs: zero-delay feedback with trapezoidal integrators [1]_,
stable at every setting and while the cutoff moves. Their responses are those of the analogue
prototypes with the frequency axis warped, f -> tan(pi f / rate) / pi * rate, and right at the
cutoff itself.

References
----------
.. [1] V. Zavalishin, "The Art of VA Filter Design", 2012, chapters 3 (trapezoidal integration,
   cutoff prewarping), 4 (state-variable filter) and 5 (ladder).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shared import CATALOGUE, Float32Array, FloatArray, Note, ParameterError
from voice._arguments import (
    check_control,
    check_range,
    check_sample_rate,
    check_scalar,
    check_signal,
)
from voice._packing import LANES, empty_controls, empty_settings, pack_note, pack_values

if TYPE_CHECKING:
    import numpy.typing as npt

__all__ = ["body_resonance", "drive", "filter_bank", "highpass", "lowpass"]


def lowpass(
    signal: npt.ArrayLike,
    cutoff_hz: npt.ArrayLike,
    *,
    sample_rate_hz: int,
    resonance_ratio: float = 0.0,
    slope_db_per_octave: float = 24.0,
) -> FloatArray:
    """Run a signal through the low-pass filter of the voice.

    Parameters
    ----------
    signal : np.ndarray, shape=(n_samples,)
        Mono sound; up to 480000 samples where the cutoff moves.
    cutoff_hz : float or np.ndarray, shape=(n_samples,), 20 to 20000
        Cutoff in Hz, one for all samples or one for each; above 0.49 of the rate it is held
        there. From 16 kHz up to 20 kHz the filter is faded out.
    sample_rate_hz : int, 8000 to 192000
        Sampling rate in Hz.
    resonance_ratio : float, 0 to 1
        Emphasis at the cutoff; 1 is the edge of self-oscillation.
    slope_db_per_octave : {12, 24}
        Steepness above the cutoff.

    Returns
    -------
    np.ndarray, shape=(n_samples,)
        The filtered sound, computed in float32.

    Raises
    ------
    ParameterError
        If an argument lies outside its range.

    Notes
    -----
    With s in units of the cutoff and r the resonance, the prototypes are
    (1 + 4 r) / ((1 + s)**4 + 4 r) for 24 dB/octave, four equal stages in a loop whose loss of
    low partials is made up for, and 1 / (s**2 + 2 (1 - r) s + 1) for 12 dB/octave. With no
    resonance the cutoff is at -12 dB and at -6 dB. The damping of the resonant pair of poles
    stays at 0.002 or above.
    """
    sound = check_signal(signal)
    rate = check_sample_rate(sample_rate_hz)
    cutoff = check_control("cutoff_hz", cutoff_hz, len(sound), 20.0, 20_000.0, "Hz")
    values = CATALOGUE.validate(
        {
            "filter.resonance_ratio": resonance_ratio,
            "filter.slope_db_per_octave": slope_db_per_octave,
        }
    )
    from voice import _controls  # noqa: PLC0415  numba loads here

    lanes = pack_values(values)
    note = pack_note(Note(60.0), rate)
    controls = empty_controls(len(cutoff))
    still, no_swing = np.float32(0.0), np.zeros(LANES, np.float32)
    for first in range(0, len(cutoff), LANES):  # the kernel converts as many cutoffs at once
        part = cutoff[first : first + LANES]
        lanes[_controls.FILTER, : len(part)] = part
        scratch = np.empty((_controls.N_CONTROLS, LANES), np.float32)
        _controls.set_filter(lanes, still, still, note, no_swing, no_swing, scratch)
        for row in (_controls.CUTOFF, _controls.DRY):
            controls[first : first + len(part), row] = scratch[row, : len(part), None]
    controls[-1] = controls[-2]
    return _run(sound, lanes, rate, controls)


def highpass(signal: npt.ArrayLike, cutoff_hz: float, *, sample_rate_hz: int) -> FloatArray:
    """Run a signal through the high-pass filter of the voice, 6 dB/octave.

    Parameters
    ----------
    signal : np.ndarray, shape=(n_samples,)
        Mono sound.
    cutoff_hz : float, 20 to 2000
        Corner in Hz, where the level is 3 dB down; at 20 Hz the filter is off.
    sample_rate_hz : int, 8000 to 192000
        Sampling rate in Hz.

    Returns
    -------
    np.ndarray, shape=(n_samples,)
        The filtered sound, computed in float32.

    Raises
    ------
    ParameterError
        If an argument lies outside its range.
    """
    sound = check_signal(signal)
    rate = check_sample_rate(sample_rate_hz)
    lanes = pack_values(
        {"highpass.cutoff_hz": check_scalar("cutoff_hz", cutoff_hz, 20.0, 2000.0, "Hz")}
    )
    return _run(sound, lanes, rate, _open_controls())


def body_resonance(
    signal: npt.ArrayLike,
    frequency_hz: float,
    *,
    gain_db: float,
    bandwidth_octaves: float,
    sample_rate_hz: int,
) -> FloatArray:
    """Run a signal through the body resonance of the voice: one bell, raised or lowered.

    Parameters
    ----------
    signal : np.ndarray, shape=(n_samples,)
        Mono sound.
    frequency_hz : float, 80 to 8000
        Middle of the bell in Hz; above 0.49 of the rate it is held there.
    gain_db : float, -18 to 24
        Level at the middle in dB, where everything far away keeps 0 dB; 0 is off.
    bandwidth_octaves : float, 0.3 to 4
        Octaves between the two frequencies at which half of `gain_db` is left.
    sample_rate_hz : int, 8000 to 192000
        Sampling rate in Hz.

    Returns
    -------
    np.ndarray, shape=(n_samples,)
        The sound with the resonance, computed in float32.

    Raises
    ------
    ParameterError
        If an argument lies outside its range.

    Notes
    -----
    With s in units of `frequency_hz`, the prototype is that of the peaking equaliser of [1]_,
    (s**2 + s A / Q + 1) / (s**2 + s / (A Q) + 1), with A = 10**(gain_db / 40) and
    1 / Q = 2 sinh(ln(2) / 2 * bandwidth_octaves). The bandwidth is that of the prototype: the
    warped frequency axis makes the bell narrower near half the rate.

    References
    ----------
    .. [1] "Audio EQ Cookbook", W3C Working Group Note, 8 June 2021 (after
       R. Bristow-Johnson), peakingEQ.
    """
    sound = check_signal(signal)
    rate = check_sample_rate(sample_rate_hz)
    values = CATALOGUE.validate(
        {
            "body.frequency_hz": frequency_hz,
            "body.gain_db": gain_db,
            "body.bandwidth_octaves": bandwidth_octaves,
        }
    )
    return _run(sound, pack_values(values), rate, _open_controls())


def filter_bank(
    signal: npt.ArrayLike, gains_db: npt.ArrayLike, *, sample_rate_hz: int
) -> FloatArray:
    """Run a signal through the fixed filter bank of the voice: twelve bells in series.

    Parameters
    ----------
    signal : np.ndarray, shape=(n_samples,)
        Mono sound.
    gains_db : np.ndarray, shape=(12,), -20 to 20
        Level in the middle of each band in dB, from the lowest to the highest; 0 is off.
    sample_rate_hz : int, 8000 to 192000
        Sampling rate in Hz.

    Returns
    -------
    np.ndarray, shape=(n_samples,)
        The sound, computed in float32.

    Raises
    ------
    ParameterError
        If an argument lies outside its range or has another shape.

    Notes
    -----
    The middles are 100, 160, 250, 400, 630, 1000, 1600, 2500, 4000, 6300, 10000 and 16000 Hz,
    every second preferred frequency of the one-third-octave series [1]_. A band whose middle lies
    above 0.49 of the rate is off. Each bell is that of `body_resonance`, 0.8 octaves wide (so
    that neighbours overlap: common practice, no source). What several bands do to one frequency
    adds up in dB: all of them at 3 dB raise everything between by 4.6 to 5.2 dB.

    References
    ----------
    .. [1] ISO 266:1997, "Acoustics - Preferred frequencies".
    """
    sound = check_signal(signal)
    rate = check_sample_rate(sample_rate_hz)
    bands = CATALOGUE.only("bank.*")
    gains = check_range("gains_db", gains_db, -20.0, 20.0, "dB")
    if gains.shape != (len(bands),):
        raise ParameterError(
            f"gains_db have shape {gains.shape}; ({len(bands)},) is accepted, one for each band.",
            name="gains_db",
            value=gains.shape,
        )
    return _run(sound, pack_values(bands.to_dict(gains)), rate, _open_controls())


def drive(signal: npt.ArrayLike, drive_db: float) -> FloatArray:
    """Saturate a signal as the voice does before its low-pass filter.

    Parameters
    ----------
    signal : np.ndarray, shape=(n_samples,)
        Mono sound.
    drive_db : float, 0 to 36
        Gain of soft sounds in dB. Loud ones end at g / (g - 1) for a gain of g: the more drive,
        the nearer to 1.

    Returns
    -------
    np.ndarray, shape=(n_samples,)
        The saturated sound, computed in float32. It has partials above half the rate, which
        fold back, as the drive isn't oversampled: 52 dB under a sawtooth of 110 Hz, 39 dB under
        one of 440 Hz and 23 dB under one of 1.8 kHz with the most drive.

    Raises
    ------
    ParameterError
        If an argument lies outside its range.

    Notes
    -----
    The curve is x (27 + x**2) / (27 + 9 x**2), which stays within 0.024 of tanh and reaches 1,
    with no slope left, at 3; from there on it is 1. Common practice, no source.
    """
    sound = check_signal(signal)
    lanes = pack_values({"filter.drive_db": check_scalar("drive_db", drive_db, 0.0, 36.0, "dB")})
    return _run(sound, lanes, 44_100, _open_controls())


def _open_controls() -> Float32Array:
    """Return controls that let all of the sound pass by the low-pass."""
    from voice import _controls  # noqa: PLC0415  numba loads here

    controls = empty_controls(1)
    controls[:, _controls.DRY] = 1.0
    return controls


def _run(
    sound: FloatArray, lanes: Float32Array, sample_rate_hz: int, controls: Float32Array
) -> FloatArray:
    """Run the filter kernel on one sound, with the amplifier open and no noise."""
    from voice import _controls, _filters, _settings  # noqa: PLC0415  numba loads here

    settings = empty_settings()
    _settings.prepare_settings(lanes, sample_rate_hz, settings)
    controls[:, _controls.AMP] = 1.0
    mix = np.zeros((len(sound), LANES), np.float32)
    mix[:, 0] = sound
    block = len(sound) if len(controls) == 2 else 1  # one block has two edges
    _filters.run_filters(settings, controls, block, np.zeros((3, len(sound)), np.float32), mix)
    return mix[:, 0].astype(np.float64)
