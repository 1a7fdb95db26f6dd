"""Tests for `shared.safety`; the standards are in `tests/reference/test_loudness.py`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from shared.errors import AudioError
from shared.safety import (
    HEARING_CAUTION,
    MAX_LOUDNESS_LUFS,
    MAX_TRUE_PEAK_DBTP,
    limit_level,
    loudness_lufs,
    true_peak_db,
)
from shared.units import db_to_amplitude
from tests.strategies import signals

if TYPE_CHECKING:
    from shared.types import FloatArray

RATE_HZ = 48_000
# Rounding of the product with the gain.
SLACK_DB = 1e-6


def sine(duration_s: float, *, amplitude: float = 1.0, frequency_hz: float = 997.0) -> FloatArray:
    """Make a test tone."""
    times_s = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    return amplitude * np.sin(2.0 * np.pi * frequency_hz * times_s)


@settings(max_examples=50)
@given(signal=signals(), boost_db=st.floats(-60.0, 60.0))
def test_nothing_passes_the_limits(signal: FloatArray, boost_db: float) -> None:
    """However loud it comes in, a plain gain of at most 1 brings it within both limits."""
    signal = signal * db_to_amplitude(boost_db)
    is_loud = (
        true_peak_db(signal, RATE_HZ) > MAX_TRUE_PEAK_DBTP
        or loudness_lufs(signal, RATE_HZ) > MAX_LOUDNESS_LUFS
    )
    limited, gain = limit_level(signal, RATE_HZ)
    # What is within the limits is never turned up or touched, and a comparison by ear stays fair.
    assert (gain < 1.0) == is_loud
    np.testing.assert_array_equal(limited, signal * gain)
    assert true_peak_db(limited, RATE_HZ) <= MAX_TRUE_PEAK_DBTP + SLACK_DB
    assert loudness_lufs(limited, RATE_HZ) <= MAX_LOUDNESS_LUFS + SLACK_DB
    assert 0.0 < gain <= 1.0


def test_a_steady_tone_is_limited_by_its_loudness() -> None:
    """A loud tone comes out at the loudness limit, far below the peak limit."""
    limited, _ = limit_level(sine(2.0), RATE_HZ)
    assert loudness_lufs(limited, RATE_HZ) == pytest.approx(MAX_LOUDNESS_LUFS, abs=SLACK_DB)
    assert true_peak_db(limited, RATE_HZ) < MAX_TRUE_PEAK_DBTP


def test_a_click_is_limited_by_its_peak() -> None:
    """A single loud click in silence comes out at the peak limit."""
    signal = np.zeros(2 * RATE_HZ)
    signal[RATE_HZ] = 4.0
    limited, _ = limit_level(signal, RATE_HZ)
    assert true_peak_db(limited, RATE_HZ) == pytest.approx(MAX_TRUE_PEAK_DBTP, abs=SLACK_DB)
    assert loudness_lufs(limited, RATE_HZ) < MAX_LOUDNESS_LUFS


def test_limits_can_be_set_lower() -> None:
    """Exaggerated auditions may ask for more room."""
    limited, _ = limit_level(sine(2.0), RATE_HZ, max_loudness_lufs=-30.0)
    assert loudness_lufs(limited, RATE_HZ) == pytest.approx(-30.0, abs=SLACK_DB)
    limited, _ = limit_level(sine(2.0), RATE_HZ, max_true_peak_dbtp=-40.0)
    assert true_peak_db(limited, RATE_HZ) == pytest.approx(-40.0, abs=SLACK_DB)


def test_stereo_is_turned_down_as_one() -> None:
    """Both channels get the same gain, so the place between the speakers stays."""
    stereo = np.stack([sine(1.0), 0.25 * sine(1.0)], axis=1)
    limited, gain = limit_level(stereo, RATE_HZ)
    np.testing.assert_array_equal(limited, stereo * gain)
    assert gain < 1.0


@settings(max_examples=50)
@given(signals(min_samples=64), st.floats(-20.0, 20.0))
def test_levels_follow_the_gain(signal: FloatArray, gain_db: float) -> None:
    """So many dB more in, so many dB more true peak out, which is never below the samples."""
    peak = float(np.max(np.abs(signal)))
    assume(peak > 1e-6)
    before = true_peak_db(signal, RATE_HZ)
    assert db_to_amplitude(before) >= peak * (1.0 - 1e-12)
    after = true_peak_db(signal * db_to_amplitude(gain_db), RATE_HZ)
    assert after - before == pytest.approx(gain_db, abs=1e-6)


@pytest.mark.parametrize("duration_s", [0.02, 0.1, 0.399])
def test_short_sounds_count_as_if_they_went_on(duration_s: float) -> None:
    """A sound shorter than a block is as loud as the same sound repeated, not as if padded."""
    # The start of the filters and the seams between repeats; a padded 20 ms would read -13 dB.
    assert loudness_lufs(sine(duration_s), RATE_HZ) == pytest.approx(-3.01, abs=0.3)


@pytest.mark.parametrize("n_channels", [1, 2, 5])
def test_silence_has_no_level(n_channels: int) -> None:
    """Silence reads minus infinity in both measures, without warnings, and stays silent."""
    silence = np.zeros((RATE_HZ, n_channels))
    assert loudness_lufs(silence, RATE_HZ) == -np.inf
    assert true_peak_db(silence, RATE_HZ) == -np.inf
    limited, gain = limit_level(silence, RATE_HZ)
    assert gain == 1.0
    assert not limited.any()


@pytest.mark.parametrize("rate_hz", [8_000, 22_050, 44_100, 96_000, 192_000])
def test_levels_do_not_depend_on_the_rate(rate_hz: int) -> None:
    """The same tone is as loud at every rate that we read."""
    tone = np.sin(2.0 * np.pi * 997.0 * np.arange(2 * rate_hz) / rate_hz)
    # EBU Tech 3341: meters agree within 0.1 LU.
    assert loudness_lufs(tone, rate_hz) == pytest.approx(-3.01, abs=0.1)
    # The tone stops at once, which rings; at 8 kHz, where 997 Hz is high, by 0.08 dB.
    assert true_peak_db(tone, rate_hz) == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize(
    ("signal", "message"),
    [
        (np.zeros(0), r"the signal has shape \(0,\)"),
        (np.zeros((2, 2, 2)), r"the signal has shape \(2, 2, 2\)"),
        (np.array([0.0, np.nan]), "the signal is not finite at sample 1"),
        (np.array([[0.0, 0.0], [0.0, np.inf]]), "the signal is not finite at sample 1"),
    ],
    ids=["empty", "deep", "nan", "infinite"],
)
def test_what_cannot_be_measured_is_refused(signal: FloatArray, message: str) -> None:
    """A signal without a level must not pass as a quiet one."""
    for measure in (true_peak_db, loudness_lufs, limit_level):
        with pytest.raises(AudioError, match=message):
            measure(signal, RATE_HZ)


def test_loudness_needs_known_channels() -> None:
    """The standard weighs up to five channels."""
    with pytest.raises(AudioError, match="the signal has 6 channels; loudness is defined for 1"):
        loudness_lufs(np.zeros((100, 6)), RATE_HZ)


def test_the_caution_says_what_to_do() -> None:
    """The paragraph names the monitor level, the limits and where advice is to be had."""
    for phrase in ("monitor level down", "-1 dBTP", "-16 LUFS", "noise exposure", "professional"):
        assert phrase in HEARING_CAUTION
    assert "\n" not in HEARING_CAUTION
