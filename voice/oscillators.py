"""Oscillators by themselves: sawtooth, pulse and triangle at any pitch, and the noise.

They run the kernel that the voice runs, which reads wavetables whose partials end below half the
rate (`voice.wavetables`), so that nothing folds back while pitch and width move.

Conventions: a wave runs from -1 to 1; its phase, in cycles, is 0 where the sawtooth jumps down
and the triangle rises through zero. The pulse is high for the last part of its cycle, `width`
of it, and its mean is taken away.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from shared import Float32Array, FloatArray, ParameterError, suggest_names
from voice._arguments import (
    LONGEST_S,
    SAMPLE_RATES_HZ,
    check_control,
    check_n_samples,
    check_sample_rate,
    check_scalar,
    check_whole,
)
from voice._packing import CYCLE, LANES, empty_controls

if TYPE_CHECKING:
    import numpy.typing as npt

__all__ = ["oscillator", "white_noise"]

# Levels of sawtooth plus pulse, of the turned sawtooth that is taken away, and of the triangle.
WAVEFORMS = {"sawtooth": (1.0, 0.0, 0.0), "pulse": (1.0, -1.0, 0.0), "triangle": (0.0, 0.0, 1.0)}
HIGHEST_OF_RATE = 0.48
# The noise is as loud as a sawtooth with peaks of 1.
NOISE_RMS = 3.0**-0.5
LONGEST_NOISE = round(LONGEST_S * SAMPLE_RATES_HZ[1])


def oscillator(
    frequency_hz: npt.ArrayLike,
    *,
    n_samples: int,
    sample_rate_hz: int = 44_100,
    waveform: str = "sawtooth",
    pulse_width_ratio: npt.ArrayLike = 0.5,
    phase_cycles: float = 0.0,
) -> FloatArray:
    """Play one wave without filter and envelope.

    Parameters
    ----------
    frequency_hz : float or np.ndarray, shape=(n_samples,), 1 Hz to 0.48 of the rate
        Pitch, one for all samples or one for each.
    n_samples : int, up to 120 s; up to 480000 where pitch or width move
        Length of the sound.
    sample_rate_hz : int, 8000 to 192000
        Sampling rate in Hz.
    waveform : {"sawtooth", "pulse", "triangle"}
        Shape of the wave.
    pulse_width_ratio : float or np.ndarray, shape=(n_samples,), 0.02 to 0.98
        Width of the pulse as a share of the cycle.
    phase_cycles : float, 0 to 1
        Phase at the first sample.

    Returns
    -------
    np.ndarray, shape=(n_samples,)
        The sound, computed in float32.

    Raises
    ------
    ParameterError
        If an argument lies outside its range.
    """
    rate = check_sample_rate(sample_rate_hz)
    n = check_n_samples(n_samples, rate)
    highest_hz = HIGHEST_OF_RATE * rate
    pitch_hz = check_control("frequency_hz", frequency_hz, n, 1.0, highest_hz, "Hz")
    width = check_control("pulse_width_ratio", pulse_width_ratio, n, 0.02, 0.98, "")
    phase = check_scalar("phase_cycles", phase_cycles, 0.0, 1.0, "cycles")
    if waveform not in WAVEFORMS:
        raise ParameterError(
            f"waveform is {waveform!r}; {', '.join(WAVEFORMS)} are accepted. "
            f"{suggest_names(str(waveform), WAVEFORMS)}".rstrip(),
            name="waveform",
            value=waveform,
        )
    from voice import _controls, _oscillators, _settings, wavetables  # noqa: PLC0415  numba loads here

    is_still = len(pitch_hz) == len(width) == 1
    controls = empty_controls(1 if is_still else n)
    for row, control in (
        (_controls.PITCH, np.log2(pitch_hz / rate)),
        (_controls.STEP, pitch_hz / rate * CYCLE),
        (_controls.TURN, width * CYCLE),
    ):
        controls[:-1, row] = control[:, None]
        controls[-1, row] = control[-1]
    settings = np.zeros((_settings.N_SETTINGS, LANES), np.float32)
    levels = np.array(WAVEFORMS[waveform])
    settings[_settings.LEVELS : _settings.LEVELS + len(levels)] = levels[:, None]
    settings[_settings.MOVING] = float(len(pitch_hz) > 1)
    sound = np.empty((n, LANES), np.float32)
    _oscillators.render_oscillators(
        settings, controls, np.full((2, LANES), phase, np.float32), n if is_still else 1,
        wavetables.sawtooth_tables(), wavetables.triangle_tables(), sound,
    )  # fmt: skip
    return sound[:, 0].astype(np.float64)


def white_noise(n_samples: int, *, seed: int = 0) -> Float32Array:
    """Make the noise of the voice: white, normally distributed, as loud as a sawtooth.

    Parameters
    ----------
    n_samples : int, 0 to 23040000 (120 s at 192 kHz)
        Length of the sound.
    seed : int >= 0
        The same seed gives the same noise.

    Returns
    -------
    np.ndarray, shape=(n_samples,), dtype=float32
        Noise with an RMS of about 1 / sqrt(3), at any sampling rate.

    Raises
    ------
    ParameterError
        If an argument is negative or no whole number.
    """
    if not isinstance(seed, (int, np.integer)) or isinstance(seed, bool) or seed < 0:
        raise ParameterError(
            f"seed is {seed!r}; a whole number from 0 on is accepted.", name="seed", value=seed
        )
    n_samples = check_whole("n_samples", n_samples, 0, LONGEST_NOISE)
    noise = np.random.default_rng(seed).standard_normal(n_samples) * NOISE_RMS
    return noise.astype(np.float32)
