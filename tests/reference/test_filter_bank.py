"""Filter bank and equaliser against the digital peaking equaliser of the Audio EQ Cookbook.

"Audio EQ Cookbook", W3C Working Group Note, 8 June 2021 (after R. Bristow-Johnson), peakingEQ:
with w0 = 2 pi f / rate and alpha = sin(w0) / (2 Q), the numerator is 1 + alpha A, -2 cos(w0),
1 - alpha A, the denominator 1 + alpha / A, -2 cos(w0), 1 - alpha / A. A width in octaves makes
1 / Q = 2 sinh(ln(2) / 2 BW w0 / sin(w0)) there; the bank leaves out w0 / sin(w0). The
middles are those of ISO 266:1997, "Acoustics - Preferred frequencies".
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.signal import freqz_sos, sosfilt

from shared.catalogue import BANK_HZ, EQUALISER_BANDS
from voice import render
from voice.parts import equaliser, filter_bank, white_noise

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import FloatArray

RATE_HZ = 44_100
BAND_OCTAVES = 0.8
NAMES_OF_A_BAND = ("frequency_hz", "gain_db", "bandwidth_octaves")
CASES: Mapping[str, tuple[float, ...]] = {
    "one band": (0, 0, 0, 0, 0, 9, 0, 0, 0, 0, 0, 0),
    "two bands": (0, -15, 0, 0, 0, 0, 0, 0, 12, 0, 0, 0),
    "three bands": (0, 0, 3, 0, -7, 0, 0, 0, 0, 0, 6, 0),
    "all bands": (-15, 12, -9, 6, -3, 1, 15, -2, 4, -8, 10, 15),
}


def cookbook_sections(gains_db: tuple[float, ...], rate_hz: int) -> FloatArray:
    """Return the second-order sections of the bands, shape (12, 6)."""
    bands = zip(BANK_HZ, gains_db, strict=True)
    return np.array([cookbook_section(hz, db, BAND_OCTAVES, rate_hz) for hz, db in bands])


def cookbook_section(hz: float, gain_db: float, octaves: float, rate_hz: int) -> FloatArray:
    """Return one second-order section, shape (6,)."""
    w0, a = 2.0 * np.pi * hz / rate_hz, 10.0 ** (gain_db / 40.0)
    alpha = np.sin(w0) * np.sinh(np.log(2.0) / 2.0 * octaves)
    row = [1 + alpha * a, -2 * np.cos(w0), 1 - alpha * a,
           1 + alpha / a, -2 * np.cos(w0), 1 - alpha / a]  # fmt: skip
    return np.array(row) / row[3]


def test_the_middles_are_preferred_frequencies() -> None:
    """ISO 266: 10**(n / 10) kHz, rounded; every second one makes two thirds of an octave."""
    exact_hz = 100.0 * 10.0 ** (0.2 * np.arange(12))
    # 1 %: the standard's rounding; 160 Hz stands for 158.5 Hz.
    np.testing.assert_allclose(BANK_HZ, exact_hz, rtol=0.011)


@pytest.mark.parametrize("gains_db", CASES.values(), ids=CASES)
@pytest.mark.parametrize("rate_hz", [44_100, 96_000], ids="{} rate".format)
def test_the_response_is_that_of_the_cookbook(gains_db: tuple[float, ...], rate_hz: int) -> None:
    """From 20 Hz up to half the rate; the low bands ring for less than half a second."""
    n_fft = 65_536
    impulse = np.zeros(n_fft)
    impulse[0] = 1.0
    response = np.fft.rfft(filter_bank(impulse, gains_db, sample_rate_hz=rate_hz))
    frequencies_hz = np.fft.rfftfreq(n_fft, 1.0 / rate_hz)
    is_heard = frequencies_hz > 20.0
    _, expected = freqz_sos(
        cookbook_sections(gains_db, rate_hz), worN=frequencies_hz[is_heard], fs=rate_hz
    )
    difference_db = 20.0 * np.log10(np.abs(response[is_heard] / expected))
    # 0.01 dB: float32 in up to twelve sections; 0.002 dB is the worst seen.
    assert np.abs(difference_db).max() < 0.01


@pytest.mark.parametrize("gains_db", CASES.values(), ids=CASES)
def test_the_sound_is_that_of_scipys_sections(gains_db: tuple[float, ...]) -> None:
    """Sample by sample, phases and all."""
    noise = white_noise(20_000).astype(np.float64)
    heard = filter_bank(noise, gains_db, sample_rate_hz=RATE_HZ)
    expected = sosfilt(cookbook_sections(gains_db, RATE_HZ), noise)
    # 1e-4 of the peak, -80 dB: float32.
    np.testing.assert_allclose(heard, expected, atol=1e-4 * np.abs(expected).max())


@pytest.mark.parametrize("rate_hz", [44_100, 96_000], ids="{} rate".format)
def test_the_equaliser_is_that_of_the_cookbook(rate_hz: int) -> None:
    """Three bands of their own widths, sample by sample; one of them near half the rate."""
    bands = ((90.0, -6.0, 2.0), (1700.0, 9.0, 0.4), (12_000.0, 4.5, 1.1))
    noise = white_noise(20_000).astype(np.float64)
    sections = []
    for hz, gain_db, octaves in bands:
        w0 = 2.0 * np.pi * hz / rate_hz
        sections.append(cookbook_section(hz, gain_db, octaves * w0 / np.sin(w0), rate_hz))
    expected = sosfilt(np.array(sections), noise)
    heard = equaliser(noise, bands, sample_rate_hz=rate_hz)
    # 1e-4 of the peak, -80 dB: float32.
    np.testing.assert_allclose(heard, expected, atol=1e-4 * np.abs(expected).max())


def test_the_equaliser_comes_after_the_whole_voice() -> None:
    """A note through it is the note, played without, through the same bands."""
    patch = {"noise.level": 0.2, "filter.cutoff_hz": 900.0, "amp_env.attack_s": 0.03}
    bands = ((150.0, 6.0, 1.0), (800.0, -9.0, 0.7), (4000.0, 12.0, 2.0))
    names = [f"{band}.{name}" for band in EQUALISER_BANDS for name in NAMES_OF_A_BAND]
    values = dict(zip(names, (x for band in bands for x in band), strict=True))
    options = {"gate_s": 0.2, "duration_s": 0.5}
    plain, heard = render(patch, **options), render({**patch, **values}, **options)
    expected = equaliser(plain, bands, sample_rate_hz=RATE_HZ)
    # Without the fade at its end; 1e-4 of the peak, -80 dB: float32.
    n = len(plain) - 500
    np.testing.assert_allclose(heard[:n], expected[:n], atol=1e-4 * np.abs(expected).max())
    at_rest = {**values, **{f"{band}.gain_db": 0.0 for band in EQUALISER_BANDS}}
    np.testing.assert_array_equal(render({**patch, **at_rest}, **options), plain)


def test_bands_raised_alike_make_a_plateau() -> None:
    """All at 3 dB: 0.6 dB of ripple between the third band and the third from above."""
    _, response = freqz_sos(
        cookbook_sections((3.0,) * 12, 96_000), worN=np.geomspace(250.0, 6300.0, 500), fs=96_000
    )
    impulse = np.zeros(65_536)
    impulse[0] = 1.0
    heard = np.abs(np.fft.rfft(filter_bank(impulse, (3.0,) * 12, sample_rate_hz=96_000)))
    places = np.arange(round(250.0 * 65_536 / 96_000), round(6300.0 * 65_536 / 96_000))
    ripples_db = [np.ptp(20.0 * np.log10(level)) for level in (np.abs(response), heard[places])]
    # 0.05 dB: the bins of the transform don't meet every top.
    assert ripples_db[1] == pytest.approx(ripples_db[0], abs=0.05)
    assert ripples_db[1] < 0.7
