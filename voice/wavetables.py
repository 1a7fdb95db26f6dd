"""Wavetables: one cycle of sawtooth and triangle with just the partials that a pitch may have.

Table `k` serves the pitch of ``2 ** (-k / TABLES_PER_OCTAVE)`` cycles per sample. Its partials
fade out in a raised cosine between 0.42 and 0.485 of the rate, so that neighbouring tables
differ little, and none reaches half the rate before the next table has taken over. The tables
are read in straight lines, which weakens partial h of a table of N by sinc(h / N)**2; they are
made stronger by as much.
"""

from functools import cache

import numpy as np

from shared.types import Float32Array, FloatArray
from voice.oscillator_kernels import N_TABLES, TABLE_SIZE, TABLES_PER_OCTAVE

__all__ = ["partial_gain", "sawtooth_tables", "triangle_tables"]

FADE_FROM, FADE_TO = 0.42, 0.485


def partial_gain(cycles_per_sample: FloatArray) -> FloatArray:
    """Gain with which a partial of a static wave sounds."""
    x = np.clip((np.asarray(cycles_per_sample) - FADE_FROM) / (FADE_TO - FADE_FROM), 0.0, 1.0)
    return 0.5 + 0.5 * np.cos(np.pi * x)


def _tables(series: FloatArray) -> Float32Array:
    """Sum sine partials (amplitudes from number 1 on) into all tables, one row for each."""
    n_partials = TABLE_SIZE // 2 - 1
    numbers = np.arange(1, n_partials + 1)
    spectrum = np.zeros((N_TABLES, TABLE_SIZE // 2 + 1), dtype=np.complex128)
    pitch = 2.0 ** (-np.arange(N_TABLES) / TABLES_PER_OCTAVE)
    gains = partial_gain(pitch[:, None] * numbers)
    gains /= np.sinc(numbers / TABLE_SIZE) ** 2
    spectrum[:, 1:-1] = -0.5j * TABLE_SIZE * series[:n_partials] * gains
    waves = np.fft.irfft(spectrum, axis=1)
    return np.concatenate([waves, waves[:, :1]], axis=1).astype(np.float32).ravel()


@cache
def sawtooth_tables() -> Float32Array:
    """Rising sawtooth from -1 to 1, zero (in the middle of its jump) at phase 0."""
    numbers = np.arange(1.0, TABLE_SIZE // 2)
    return _tables(-2.0 / (np.pi * numbers))


@cache
def triangle_tables() -> Float32Array:
    """Triangle from -1 to 1 that rises through zero at phase 0."""
    numbers = np.arange(1.0, TABLE_SIZE // 2)
    signs = np.where(numbers % 2 == 1, 1.0 - (numbers % 4 - 1.0), 0.0)
    return _tables(signs * 8.0 / (np.pi * numbers) ** 2)
