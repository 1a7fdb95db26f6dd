"""Filters as functions: they are those of the voice, and they refuse nonsense."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from shared import CATALOGUE, Note, ParameterError
from tests.voice_sounds import play
from voice.parts import (
    body_resonance,
    drive,
    filter_bank,
    highpass,
    lowpass,
    oscillator,
    white_noise,
)

N_SAMPLES = 3000
AFTER_ATTACK = 64


@pytest.mark.parametrize("slope", [12.0, 24.0], ids="{:g} dB".format)
def test_the_filters_are_those_of_the_voice(slope: float) -> None:
    """A wave through high-pass, drive, low-pass, body and bank is the patch that has them."""
    values = {
        "highpass.cutoff_hz": 300.0,
        "filter.drive_db": 9.0,
        "filter.cutoff_hz": 1200.0,
        "filter.resonance_ratio": 0.6,
        "filter.slope_db_per_octave": slope,
        "body.frequency_hz": 650.0,
        "body.gain_db": 9.0,
        "body.bandwidth_octaves": 0.8,
        "bank.gain_250_hz_db": -6.0,
        "bank.gain_4000_hz_db": 5.0,
    }
    heard = play(values, note=Note(57.0), n_samples=N_SAMPLES)
    sound = highpass(oscillator(220.0, n_samples=N_SAMPLES), 300.0, sample_rate_hz=44_100)
    sound = lowpass(
        drive(sound, 9.0),
        1200.0,
        resonance_ratio=0.6,
        slope_db_per_octave=slope,
        sample_rate_hz=44_100,
    )
    expected = body_resonance(
        sound, 650.0, gain_db=9.0, bandwidth_octaves=0.8, sample_rate_hz=44_100
    )
    gains_db = [0.0, 0.0, -6.0, 0.0, 0.0, 0.0, 0.0, 0.0, 5.0, 0.0, 0.0, 0.0]
    expected = filter_bank(expected, gains_db, sample_rate_hz=44_100)
    # 3e-3: the steps of the two waves differ by rounding, phases add that up, and the body
    # resonance raises it by 9 dB.
    np.testing.assert_allclose(heard[AFTER_ATTACK:], expected[AFTER_ATTACK:], atol=3e-3)


def test_a_cutoff_given_for_each_sample_may_stand_still() -> None:
    """An array of equal cutoffs filters like that cutoff."""
    noise = white_noise(N_SAMPLES)
    still = lowpass(noise, 900.0, sample_rate_hz=44_100, resonance_ratio=0.5)
    moving = lowpass(noise, np.full(N_SAMPLES, 900.0), sample_rate_hz=44_100, resonance_ratio=0.5)
    np.testing.assert_array_equal(moving, still)


def test_neutral_filters_pass_the_sound_unchanged() -> None:
    """To the bit: 20 kHz low-pass with any resonance, 20 Hz high-pass, no drive, no body."""
    noise = white_noise(N_SAMPLES).astype(np.float64)
    neutral = CATALOGUE.neutral()
    passed = lowpass(
        drive(
            highpass(noise, neutral["highpass.cutoff_hz"], sample_rate_hz=44_100),
            neutral["filter.drive_db"],
        ),
        neutral["filter.cutoff_hz"],
        resonance_ratio=0.9,
        sample_rate_hz=44_100,
    )
    np.testing.assert_array_equal(passed, noise)
    passed = body_resonance(
        noise, 900.0, gain_db=neutral["body.gain_db"], bandwidth_octaves=0.5, sample_rate_hz=44_100
    )
    np.testing.assert_array_equal(passed, noise)
    np.testing.assert_array_equal(filter_bank(noise, [0.0] * 12, sample_rate_hz=44_100), noise)


def test_a_band_that_the_rate_cannot_hold_is_off() -> None:
    """To the bit: at 8 kHz there is nothing at 4 kHz and above to be raised."""
    noise = white_noise(N_SAMPLES).astype(np.float64)
    raised = [0.0] * 8 + [15.0] * 4
    np.testing.assert_array_equal(filter_bank(noise, raised, sample_rate_hz=8_000), noise)
    assert not np.array_equal(filter_bank(noise, raised, sample_rate_hz=11_025), noise)


def test_drive_amplifies_soft_sounds_and_holds_loud_ones() -> None:
    """A gain of 12 dB for soft sounds, and an end at g / (g - 1) for loud ones."""
    gain = 10.0 ** (12.0 / 20.0)
    soft, loud = drive([1e-3, 100.0], 12.0)
    # 1e-5: the curve bends by x**2 / 3.
    assert soft == pytest.approx(gain * 1e-3, rel=1e-5)
    assert loud == pytest.approx(gain / (gain - 1.0), rel=1e-6)


def test_drive_is_symmetric_and_rises() -> None:
    """No even partials, and no folding back of the curve."""
    levels = np.linspace(-4.0, 4.0, 801)
    driven = drive(levels, 20.0)
    np.testing.assert_array_equal(driven, -driven[::-1])
    # -1e-7: rounding where the curve is flat.
    assert np.diff(driven).min() >= -1e-7


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"cutoff_hz": 5.0}, "cutoff_hz is 5 Hz; it must be 20 to 20000 Hz"),
        (
            {"cutoff_hz": [100.0, 200.0]},
            r"cutoff_hz has shape \(2,\); it must be one number or \(3,\)",
        ),
        ({"signal": [[1.0]]}, r"signal has shape \(1, 1\); it must be a row"),
        ({"signal": []}, r"signal has shape \(0,\); it must be a row"),
        ({"signal": [np.inf]}, "signal is inf; it must be -1e.06 to 1e.06"),
        ({"resonance_ratio": 1.5}, "filter.resonance_ratio is 1.5"),
        ({"slope_db_per_octave": 18.0}, "filter.slope_db_per_octave is 18 .*12 or 24"),
        ({"sample_rate_hz": 1000}, "sample_rate_hz is 1000 Hz"),
    ],
)
def test_a_low_pass_that_cannot_be_is_refused(change: dict[str, Any], message: str) -> None:
    """The message names the argument, its value and the range."""
    arguments = {
        "signal": [1.0, 0.0, 0.0], "cutoff_hz": 500.0, "sample_rate_hz": 44_100, **change,
    }  # fmt: skip
    with pytest.raises(ParameterError, match=message):
        lowpass(**arguments)


def test_a_high_pass_that_cannot_be_is_refused() -> None:
    """The message names the argument, its value and the range."""
    with pytest.raises(ParameterError, match="cutoff_hz is 3000 Hz; it must be 20 to 2000 Hz"):
        highpass([1.0], 3000.0, sample_rate_hz=44_100)


def test_a_drive_that_cannot_be_is_refused() -> None:
    """The message names the argument, its value and the range."""
    with pytest.raises(ParameterError, match="drive_db is 40 dB; it must be 0 to 36 dB"):
        drive([1.0], 40.0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"frequency_hz": 20.0}, r"body\.frequency_hz is 20 Hz; it must be 80 to 8000 Hz"),
        ({"gain_db": 30.0}, r"body\.gain_db is 30 dB; it must be -18 to 24 dB"),
        (
            {"bandwidth_octaves": 0.0},
            r"body\.bandwidth_octaves is 0 octaves; it must be 0\.3 to 4 octaves",
        ),
        ({"signal": []}, r"signal has shape \(0,\); it must be a row"),
        ({"sample_rate_hz": 1000}, "sample_rate_hz is 1000 Hz"),
    ],
)
def test_a_body_that_cannot_be_is_refused(change: dict[str, Any], message: str) -> None:
    """The message names the argument, its value and the range."""
    arguments = {
        "signal": [1.0], "frequency_hz": 500.0, "gain_db": 6.0, "bandwidth_octaves": 1.0,
        "sample_rate_hz": 44_100, **change,
    }  # fmt: skip
    with pytest.raises(ParameterError, match=message):
        body_resonance(**arguments)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"gains_db": [21.0] * 12}, "gains_db is 21 dB; it must be -20 to 20 dB"),
        ({"gains_db": [0.0] * 11}, r"gains_db have shape \(11,\); it must be \(12,\)"),
        ({"gains_db": 3.0}, r"gains_db have shape \(\); it must be \(12,\)"),
        ({"gains_db": [np.nan] * 12}, "gains_db is nan dB"),
        ({"signal": []}, r"signal has shape \(0,\); it must be a row"),
        ({"sample_rate_hz": 1000}, "sample_rate_hz is 1000 Hz"),
    ],
)
def test_a_bank_that_cannot_be_is_refused(change: dict[str, Any], message: str) -> None:
    """The message names the argument, its value and the range."""
    arguments = {"signal": [1.0], "gains_db": [0.0] * 12, "sample_rate_hz": 44_100, **change}
    with pytest.raises(ParameterError, match=message):
        filter_bank(**arguments)
