"""LFOs as functions: they are those that the voice plays, and they refuse nonsense."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from shared import Note, ParameterError
from tests.voice_sounds import play_with_controls
from voice import control_kernels
from voice.parts import filter_lfo_octaves, pulse_width_ratio, vibrato_cents

VIBRATO = {
    "rate_hz": 6.0,
    "depth_cents": 40.0,
    "delay_s": 0.1,
    "rate_key_track_ratio": 0.4,
    "depth_key_track_ratio": -0.3,
    "rate_env_octaves": -1.0,
}


def test_the_vibrato_is_that_of_the_voice() -> None:
    """At the edges of its blocks the voice has the pitch of the function."""
    values = {f"osc1.vibrato.{name}": value for name, value in VIBRATO.items()}
    _, controls = play_with_controls(values, note=Note(72.0), n_samples=20_000)
    edges_s = np.arange(len(controls)) * 16 / 44_100
    cents = 1200.0 * (controls[:, control_kernels.PITCH] - controls[0, control_kernels.PITCH])
    # 2e-3 cents: float32 has steps of 6e-4 cents around log2(pitch / rate) = -7.
    np.testing.assert_allclose(
        cents, vibrato_cents(edges_s, midi_pitch=72.0, **VIBRATO), atol=2e-3
    )


def test_the_pulse_width_is_that_of_the_voice() -> None:
    """At the edges of its blocks the voice has the width of the function."""
    values = {
        "osc1.pulse_width_ratio": 0.4,
        "osc1.pwm.rate_hz": 3.0,
        "osc1.pwm.depth_ratio": 0.3,
        "osc1.pwm.rate_key_track_ratio": 0.5,
    }
    _, controls = play_with_controls(values, note=Note(48.0), n_samples=20_000)
    edges_s = np.arange(len(controls)) * 16 / 44_100
    expected = pulse_width_ratio(
        edges_s,
        width_ratio=0.4,
        rate_hz=3.0,
        depth_ratio=0.3,
        rate_key_track_ratio=0.5,
        midi_pitch=48.0,
    )
    np.testing.assert_allclose(controls[:, control_kernels.TURN] / 2.0**32, expected, atol=1e-6)


def test_the_lfo_on_the_cutoff_is_that_of_the_voice() -> None:
    """At the edges of its blocks the voice has the cutoff of the function, on every key."""
    lfo = {"rate_hz": 4.0, "depth_octaves": 0.7, "delay_s": 0.2}
    values = {f"filter_lfo.{name}": value for name, value in lfo.items()}
    values |= {"filter.cutoff_hz": 700.0, "filter_env.depth_octaves": 1.0}
    _, controls = play_with_controls(values, note=Note(72.0, gate_s=2.0), n_samples=20_000)
    edges_s = np.arange(len(controls)) * 16 / 44_100
    cutoff_hz = np.arctan(controls[:, control_kernels.CUTOFF]) * 44_100 / np.pi
    is_held = edges_s > 0.01  # after the attack of the envelope
    octaves = np.log2(cutoff_hz[is_held] / 1400.0)
    # 1e-5: float32.
    np.testing.assert_allclose(octaves, filter_lfo_octaves(edges_s[is_held], **lfo), atol=1e-5)


def test_the_lfo_on_the_cutoff_is_a_sine_that_fades_in() -> None:
    """The closed form: nothing for half of the delay, then a straight line up to the depth."""
    times_s = np.linspace(0.0, 2.0, 400)
    heard = filter_lfo_octaves(
        times_s, rate_hz=3.0, depth_octaves=1.5, delay_s=0.8, phase_cycles=0.3
    )
    fade = np.clip(2.0 * times_s / 0.8 - 1.0, 0.0, 1.0)
    expected = 1.5 * fade * np.sin(2.0 * np.pi * (3.0 * times_s + 0.3))
    # 5e-4: a phase that is added up in float32, 5,500 times, is off by up to 3e-5 cycles.
    np.testing.assert_allclose(heard, expected, atol=5e-4)


def test_times_may_come_in_any_order() -> None:
    """Each time has its value, wherever it stands."""
    forward = np.linspace(0.0, 1.0, 11)
    there = vibrato_cents(forward, rate_hz=5.0, depth_cents=50.0)
    back = vibrato_cents(forward[::-1], rate_hz=5.0, depth_cents=50.0)
    np.testing.assert_array_equal(there, back[::-1])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"times_s": [121.0]}, "times_s is 121 s; it must be 0 to 120 s"),
        ({"rate_hz": 0.0}, "rate_hz is 0; it must be 0.1 to 12"),
        ({"depth_cents": 150.0}, "depth_cents is 150; it must be 0 to 100"),
        ({"delay_s": 3.0}, "delay_s is 3; it must be 0 to 2"),
        ({"rate_env_octaves": 3.0}, "rate_env_octaves is 3; it must be -2 to 2"),
        ({"midi_pitch": 200.0}, "midi_pitch is 200; it must be 0 to 127"),
        ({"phase_cycles": 2.0}, "phase_cycles is 2 cycles; it must be 0 to 1 cycles"),
    ],
)
def test_a_vibrato_that_cannot_be_is_refused(change: dict[str, Any], message: str) -> None:
    """The message names the argument, its value and the range."""
    with pytest.raises(ParameterError, match=message):
        vibrato_cents(**{"times_s": [0.1], **VIBRATO, **change})


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"width_ratio": 0.0}, "width_ratio is 0; it must be 0.05 to 0.95"),
        ({"depth_ratio": 0.5}, "depth_ratio is 0.5; it must be 0 to 0.45"),
        ({"rate_hz": 100.0}, "rate_hz is 100; it must be 0.05 to 10"),
    ],
)
def test_a_pulse_width_that_cannot_be_is_refused(change: dict[str, Any], message: str) -> None:
    """The message names the argument, its value and the range."""
    arguments = {"times_s": [0.1], "rate_hz": 1.0, "depth_ratio": 0.1, **change}
    with pytest.raises(ParameterError, match=message):
        pulse_width_ratio(**arguments)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"rate_hz": 13.0}, "rate_hz is 13; it must be 0.1 to 12"),
        ({"depth_octaves": 2.5}, "depth_octaves is 2.5; it must be 0 to 2"),
        ({"delay_s": -1.0}, "delay_s is -1; it must be 0 to 2"),
        ({"phase_cycles": 2.0}, "phase_cycles is 2 cycles; it must be 0 to 1 cycles"),
    ],
)
def test_an_lfo_on_the_cutoff_that_cannot_be_is_refused(
    change: dict[str, Any], message: str
) -> None:
    """The message names the argument, its value and the range."""
    arguments = {"times_s": [0.1], "rate_hz": 1.0, "depth_octaves": 0.1, **change}
    with pytest.raises(ParameterError, match=message):
        filter_lfo_octaves(**arguments)
