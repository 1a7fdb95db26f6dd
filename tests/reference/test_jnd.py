"""The just-noticeable differences against published measurements."""

from __future__ import annotations

import numpy as np

from matcher.hearing import JUST_NOTICEABLE
from shared import ratio_to_cents


def test_pitch_is_near_the_measured_table() -> None:
    """Pure tones at 60 dB: J. O. Smith, Spectral Audio Signal Processing, 2011, appendix table.

    Relative thresholds at 250, 500, 1000, 2000 and 4000 Hz, the range of most partials.
    """
    ratios = 1.0 + np.array([0.0098, 0.0035, 0.0034, 0.0018, 0.0020])
    cents = np.array([float(ratio_to_cents(ratio)) for ratio in ratios])
    # A tone with many partials is heard by its best ones, not by its worst.
    assert cents.min() <= JUST_NOTICEABLE["pitch"].threshold(0.0) <= np.median(cents)


def test_pitch_is_no_coarser_than_a_thirtieth_of_the_critical_bandwidth() -> None:
    """Houtsma, Rossing and Wagenaars, Auditory Demonstrations, 1987, demonstration 17.

    The bandwidth is 25 + 75 (1 + 1.4 f^2)^0.69 Hz with f in kHz: E. Zwicker and E. Terhardt,
    J. Acoust. Soc. Am. 68, 1980.
    """
    khz = np.array([0.5, 1.0, 2.0])
    bandwidth_hz = 25.0 + 75.0 * (1.0 + 1.4 * khz**2) ** 0.69
    cents = 1200.0 * np.log2(1.0 + bandwidth_hz / 30.0 / (1000.0 * khz))
    assert JUST_NOTICEABLE["pitch"].threshold(0.0) <= cents.min()
