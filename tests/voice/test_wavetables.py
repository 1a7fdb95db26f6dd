"""Wavetables hold the partials that their pitch may have."""

from __future__ import annotations

import numpy as np
import pytest

from voice.oscillator_kernels import N_TABLES, TABLE_SIZE, TABLES_PER_OCTAVE
from voice.wavetables import partial_gain, sawtooth_tables, triangle_tables


def partials(tables: np.ndarray, k: int) -> np.ndarray:
    """Return the amplitudes of the partials 0, 1, ... of table `k` as it is read."""
    table = tables.reshape(N_TABLES, TABLE_SIZE + 1)[k, :-1].astype(np.float64)
    spectrum = np.abs(np.fft.rfft(table)) / (TABLE_SIZE / 2)
    return spectrum * np.sinc(np.arange(len(spectrum)) / TABLE_SIZE) ** 2


@pytest.mark.parametrize("tables", [sawtooth_tables, triangle_tables], ids=["saw", "triangle"])
def test_each_table_ends_where_it_begins(tables: object) -> None:
    """A reader between the last value and the first one needs no wrapping."""
    assert callable(tables)
    rows = tables().reshape(N_TABLES, TABLE_SIZE + 1)
    np.testing.assert_array_equal(rows[:, 0], rows[:, -1])


@pytest.mark.parametrize("k", [16, 40, 100, 150])
def test_no_partial_of_a_table_passes_half_the_rate(k: int) -> None:
    """Read for a pitch half a table higher, as happens to still pitches, all stays below."""
    amplitudes = partials(sawtooth_tables(), k)
    highest_pitch = 2.0 ** (-(k - 0.5) / TABLES_PER_OCTAVE)
    beyond = amplitudes[np.arange(len(amplitudes)) * highest_pitch > 0.5]
    # 1e-6 of full scale: rounding to float32.
    assert beyond.max(initial=0.0) < 1e-6


@pytest.mark.parametrize("k", [40, 100, 150])
def test_partials_below_the_fade_have_their_full_level(k: int) -> None:
    """2 / (pi h) up to 0.42 of the rate, as in the series of the sawtooth."""
    amplitudes = partials(sawtooth_tables(), k)
    n_full = int(0.42 * 2.0 ** (k / TABLES_PER_OCTAVE))
    numbers = np.arange(1, min(n_full, TABLE_SIZE // 2 - 1) + 1)
    # 2e-7 of full scale: rounding to float32.
    np.testing.assert_allclose(amplitudes[numbers], 2.0 / (np.pi * numbers), atol=2e-7)


def test_the_gain_of_a_partial_falls_from_1_to_0() -> None:
    """A raised cosine between 0.42 and 0.485 of the rate."""
    gains = partial_gain(np.array([0.0, 0.42, 0.4525, 0.485, 0.7]))
    np.testing.assert_allclose(gains, [1.0, 1.0, 0.5, 0.0, 0.0], atol=1e-12)
