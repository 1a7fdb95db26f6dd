"""The just-noticeable differences lie where published figures do."""

from __future__ import annotations

import re

import numpy as np
import pytest

from matcher.hearing import JUST_NOTICEABLE
from shared import ratio_to_cents

# quantity, field, lowest and highest published figure, and where.
RANGES = (
    # The Open University, Hearing, section 10.3: 0.5 to 1.0 dB for most sounds; a 1 kHz tone 1.5
    # dB at 20 dB SPL, 0.3 dB at 80 dB SPL.
    ("level", "absolute", 0.3, 1.5),
    # C. C. Wier, W. Jesteadt and D. M. Green, J. Acoust. Soc. Am. 61, 1977, and B. C. J. Moore,
    # J. Acoust. Soc. Am. 54, 1973: 0.2 to 0.5 %, in cents (from memory).
    ("pitch", "absolute", 3.4, 8.7),
    # M. P. R. van den Broecke and V. J. van Heuven, Perception and Psychophysics 33, 1983: 20 to
    # 30 % of the rise time (from memory).
    ("attack", "ratio", 0.2, 0.3),
    # S. A. Gelfand, Hearing, chapter on auditory sensitivity: gaps of 2 to 3 ms. For short rise
    # times 10 ms and less have been found (from memory).
    ("attack", "absolute", 0.002, 0.01),
    # T. Tolonen and H. Järveläinen, Perceptual Study of Decay Parameters in Plucked String
    # Synthesis, Audio Engineering Society convention, 2000: 25 to 40 % are inaudible.
    ("decay", "ratio", 0.25, 0.4),
    ("release", "ratio", 0.25, 0.4),
    # R. A. Kendall and E. C. Carterette, ICMPC 1996, and E. J. Allen and A. J. Oxenham, J. Acoust.
    # Soc. Am. 135, 2014 (from memory).
    ("brightness", "ratio", 0.04, 0.05),
    # H. Fastl and E. Zwicker, Psychoacoustics, chapter 7: 0.35 % to one side above 500 Hz (from
    # memory); partials of a complex tone add up, so it may be less.
    ("vibrato", "absolute", 3.0, 6.1),
    # J. Lee, J. Acoust. Soc. Am. 96, 1994 (from memory).
    ("vibrato rate", "ratio", 0.05, 0.1),
    ("beating", "ratio", 0.05, 0.1),
    # From memory.
    ("vibrato depth", "ratio", 0.15, 0.3),
)


@pytest.mark.parametrize(("quantity", "field", "low", "high"), RANGES)
def test_a_threshold_lies_within_the_published_range(
    quantity: str, field: str, low: float, high: float
) -> None:
    """The table above; each line names its source."""
    assert low <= getattr(JUST_NOTICEABLE[quantity], field) <= high


def test_every_quantity_is_in_the_table() -> None:
    """No threshold goes unchecked: each record has a line above, and each line a record."""
    assert {line[0] for line in RANGES} == set(JUST_NOTICEABLE)


@pytest.mark.parametrize("record", JUST_NOTICEABLE.values(), ids=lambda record: record.quantity)
def test_every_record_names_its_source(record: object) -> None:
    """A publication with its year or its chapter, or the words "from memory"."""
    source = str(getattr(record, "source", ""))
    assert re.search(r"\b(19|20)\d\d\b|chapter|section|from memory", source)


def test_level_is_near_the_measured_curve() -> None:
    """W. Jesteadt, C. C. Wier and D. M. Green 1977: dI / I = 0.463 (I / I0)^-0.072 (from memory).

    I0 is the threshold of hearing; music is heard at 30 to 80 dB above it.
    """
    above_threshold_db = np.array([30.0, 80.0])
    ratio = 0.463 * 10.0 ** (-0.0072 * above_threshold_db)
    high, low = 10.0 * np.log10(1.0 + ratio)
    # 10 %: the curve is one for all frequencies, measured with a spread larger than that.
    assert 0.9 * low <= JUST_NOTICEABLE["level"].threshold(0.0) <= 1.1 * high


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


@pytest.mark.parametrize(
    ("quantity", "reference", "expected"),
    [
        ("attack", 0.005, 0.003),
        ("attack", 0.1, 0.02),
        ("level", -30.0, 1.0),
        ("brightness", 2_000.0, 100.0),
    ],
)
def test_the_larger_threshold_counts(quantity: str, reference: float, expected: float) -> None:
    """Weber's law holds down to where the ear resolves nothing any more."""
    threshold = JUST_NOTICEABLE[quantity].threshold(reference)
    # 1e-12: rounding of one product.
    assert threshold == pytest.approx(expected, rel=1e-12)
