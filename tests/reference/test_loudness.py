"""`shared.safety` against ITU-R BS.1770-5 and the test signals of EBU Tech 3341 (2023)."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.signal import lfilter

from shared.safety import loudness_lufs, true_peak_db

if TYPE_CHECKING:
    from shared.types import FloatArray

RATE_HZ = 48_000


def _sine(
    frequency_hz: float, duration_s: float, *, amplitude: float = 1.0, phase_cycles: float = 0.0
) -> FloatArray:
    """Make a sine of whole samples."""
    cycles = frequency_hz * np.arange(round(duration_s * RATE_HZ)) / RATE_HZ + phase_cycles
    return amplitude * np.sin(2.0 * np.pi * cycles)


def _faded(signal: FloatArray) -> FloatArray:
    """Fade in and out over 100 ms: a tone that starts at once truly peaks higher, at its start."""
    ramp = np.arange(len(signal)) / (0.1 * RATE_HZ)
    return signal * np.minimum(1.0, np.minimum(ramp, ramp[::-1]))


def _sequence(*parts: tuple[float, float]) -> FloatArray:
    """Make the stereo signals of EBU Tech 3341: 1 kHz at given levels in dBFS, for given s."""
    mono = np.concatenate([_sine(1000.0, s, amplitude=10 ** (db / 20)) for db, s in parts])
    return np.stack([mono, mono], axis=1)


def test_full_scale_sine_in_one_channel() -> None:
    """BS.1770-5, Annex 1: a 0 dBFS, 997 Hz sine in one channel reads -3.01 LKFS."""
    # Half of the last printed digit, and the rounding of the printed filter coefficients.
    assert loudness_lufs(_sine(997.0, 5.0), RATE_HZ) == pytest.approx(-3.01, abs=0.006)


@pytest.mark.parametrize(
    "parts",
    [
        pytest.param([(-23.0, 20.0)], id="case-1"),
        pytest.param([(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], id="case-3"),
        pytest.param(
            [(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)],
            id="case-4",
        ),
        pytest.param([(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], id="case-5"),
    ],
)
def test_gated_loudness_of_tone_sequences(parts: list[tuple[float, float]]) -> None:
    """EBU Tech 3341, table 1, cases 1, 3, 4 and 5: integrated loudness -23.0 +- 0.1 LUFS."""
    assert loudness_lufs(_sequence(*parts), RATE_HZ) == pytest.approx(-23.0, abs=0.1)


def test_loudness_of_a_quieter_tone() -> None:
    """EBU Tech 3341, table 1, case 2: integrated loudness -33.0 +- 0.1 LUFS."""
    assert loudness_lufs(_sequence((-33.0, 20.0)), RATE_HZ) == pytest.approx(-33.0, abs=0.1)


def test_surround_channels_weigh_more() -> None:
    """EBU Tech 3341, table 1, case 6: L, R -28, C -24, Ls, Rs -30 dBFS give -23.0 +- 0.1 LUFS."""
    levels_db = np.array([-28.0, -28.0, -24.0, -30.0, -30.0])
    signal = _sine(1000.0, 20.0)[:, np.newaxis] * 10.0 ** (levels_db / 20.0)
    assert loudness_lufs(signal, RATE_HZ) == pytest.approx(-23.0, abs=0.1)


def test_weighting_is_that_of_the_tables(rng: np.random.Generator) -> None:
    """BS.1770-5, Annex 1, tables 1 and 2: the filter coefficients at 48 kHz, on steady noise."""
    noise = 0.1 * rng.standard_normal(4 * RATE_HZ)
    shelf = lfilter(
        [1.53512485958697, -2.69169618940638, 1.19839281085285],
        [1.0, -1.69065929318241, 0.73248077421585],
        noise,
    )
    weighted = lfilter([1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621], shelf)
    expected_lufs = -0.691 + 10.0 * math.log10(float(np.mean(weighted**2)))
    # The blocks of 400 ms weigh the first and the last 300 ms less than the rest.
    assert loudness_lufs(noise, RATE_HZ) == pytest.approx(expected_lufs, abs=0.02)


def test_true_peak_between_the_samples() -> None:
    """BS.1770-5, Annex 2: a sine at fs/4 can read 3.01 dB less in samples than it peaks."""
    signal = _faded(_sine(RATE_HZ / 4, 1.0, phase_cycles=1 / 8))
    sample_peak_db = 20.0 * math.log10(float(np.max(np.abs(signal))))
    assert sample_peak_db == pytest.approx(-3.0103, abs=0.0001)
    # Ripple of the oversampling filter, which passes 48 kHz material to 1e-4 dB.
    assert true_peak_db(signal, RATE_HZ) == pytest.approx(0.0, abs=0.001)


@pytest.mark.parametrize(
    ("divisor", "phase_degrees", "amplitude", "peak_dbtp"),
    [
        pytest.param(4, 0.0, 0.5, -6.0, id="case-15"),
        pytest.param(4, 45.0, 0.5, -6.0, id="case-16"),
        pytest.param(6, 60.0, 0.5, -6.0, id="case-17"),
        pytest.param(8, 67.5, 0.5, -6.0, id="case-18"),
        pytest.param(4, 45.0, 1.41, 3.0, id="case-19"),
    ],
)
def test_true_peaks_of_sines(
    divisor: int, phase_degrees: float, amplitude: float, peak_dbtp: float
) -> None:
    """EBU Tech 3341, table 1, cases 15 to 19: maximum true peak, +0.2 / -0.4 dB."""
    sine = _sine(RATE_HZ / divisor, 1.0, amplitude=amplitude, phase_cycles=phase_degrees / 360)
    assert -0.4 <= true_peak_db(_faded(sine), RATE_HZ) - peak_dbtp <= 0.2
