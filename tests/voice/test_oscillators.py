"""Oscillators as functions: they are those of the voice, and they refuse nonsense."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from shared import Note, ParameterError, midi_to_hz
from tests.voice_sounds import play
from voice.parts import oscillator, white_noise

WAVES = {
    "sawtooth": {"osc1.saw_level": 1.0},
    "pulse": {"osc1.saw_level": 0.0, "osc1.pulse_level": 1.0, "osc1.pulse_width_ratio": 0.3},
    "triangle": {"osc1.saw_level": 0.0, "osc1.triangle_level": 1.0},
}
AFTER_ATTACK = 64


@pytest.mark.parametrize("waveform", WAVES)
def test_a_wave_is_that_of_the_voice(waveform: str) -> None:
    """A patch with one wave and nothing else sounds like the function, once it has begun."""
    n_samples = 4000
    heard = play(WAVES[waveform], note=Note(64.0), n_samples=n_samples)
    wave = oscillator(
        midi_to_hz(64.0), n_samples=n_samples, waveform=waveform, pulse_width_ratio=0.3
    )
    # 1e-4: the two steps for each sample differ by rounding, and phases add that up.
    np.testing.assert_allclose(heard[AFTER_ATTACK:], wave[AFTER_ATTACK:], atol=1e-4)


@pytest.mark.parametrize("waveform", WAVES)
def test_a_pitch_given_for_each_sample_may_stand_still(waveform: str) -> None:
    """An array of equal pitches gives the wave of that pitch."""
    pitch_hz = 44_100 * 2.0**-7  # a table of its own: nothing to fade
    still = oscillator(pitch_hz, n_samples=500, waveform=waveform)
    moving = oscillator(np.full(500, pitch_hz), n_samples=500, waveform=waveform)
    np.testing.assert_allclose(moving, still, atol=1e-6)


def test_the_phase_is_where_the_wave_starts() -> None:
    """A quarter of a cycle later, the triangle is at its top."""
    wave = oscillator(
        441.0, n_samples=2, waveform="triangle", phase_cycles=0.25, sample_rate_hz=44_100
    )
    # 0.02: the partials above half the rate round the top off.
    assert wave[0] == pytest.approx(1.0, abs=0.02)


def test_the_noise_is_as_loud_as_a_sawtooth() -> None:
    """An RMS of 1 / sqrt(3), and no mean."""
    noise = white_noise(200_000, seed=3)
    # 4 standard errors: sigma / sqrt(2 n) of the RMS, sigma / sqrt(n) of the mean.
    assert np.sqrt(np.mean(noise**2)) == pytest.approx(3.0**-0.5, abs=4.0 * 3.0**-0.5 / 632.0)
    assert np.mean(noise) == pytest.approx(0.0, abs=4.0 * 3.0**-0.5 / 447.0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"frequency_hz": 22_000.0}, "frequency_hz is 22000 Hz; it must be 1 to 21168 Hz"),
        (
            {"frequency_hz": np.full(9, 440.0)},
            r"frequency_hz has shape \(9,\); it must be one number or",
        ),
        ({"frequency_hz": "A4"}, "frequency_hz is 'A4', which is not a number"),
        ({"pulse_width_ratio": 0.0}, "pulse_width_ratio is 0; it must be 0.02 to 0.98"),
        (
            {"waveform": "sawtoth"},
            "waveform is 'sawtoth'; it must be one of sawtooth.*Did you mean sawtooth",
        ),
        ({"n_samples": 0}, "n_samples is 0"),
        ({"sample_rate_hz": 100}, "sample_rate_hz is 100 Hz"),
        ({"phase_cycles": -0.1}, "phase_cycles is -0.1 cycles"),
        (
            {"n_samples": 480_001, "frequency_hz": np.full(480_001, 440.0)},
            "frequency_hz moves over 480001 samples; there must be 480000",
        ),
    ],
)
def test_a_wave_that_cannot_be_is_refused(change: dict[str, Any], message: str) -> None:
    """The message names the argument, its value and the range."""
    arguments = {"frequency_hz": 440.0, "n_samples": 10, **change}
    with pytest.raises(ParameterError, match=message):
        oscillator(**arguments)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"n_samples": -1}, "n_samples is -1; it must be 0 to"),
        ({"n_samples": 5, "seed": True}, "seed is True; it must be a whole number"),
    ],
)
def test_a_noise_that_cannot_be_is_refused(arguments: dict[str, Any], message: str) -> None:
    """The message names the argument, its value and the range."""
    with pytest.raises(ParameterError, match=message):
        white_noise(**arguments)
