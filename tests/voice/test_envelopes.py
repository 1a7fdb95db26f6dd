"""Envelopes as functions: they are those that the voice plays, and they refuse nonsense."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared import Note, ParameterError
from tests.voice_sounds import play, play_with_controls
from voice import control_kernels
from voice.parts import adsr_level, pitch_envelope_cents

times = st.floats(0.001, 2.0)
STAGES = {"attack_s": 0.1, "decay_s": 0.2, "sustain_ratio": 0.4, "release_s": 0.3}


@given(
    attack_s=times,
    attack_curve_ratio=st.floats(-1.0, 1.0),
    decay_s=times,
    sustain_ratio=st.floats(0.0, 1.0),
    release_s=times,
)
def test_the_level_is_that_of_the_voice(
    attack_s: float,
    attack_curve_ratio: float,
    decay_s: float,
    sustain_ratio: float,
    release_s: float,
) -> None:
    """At the edges of its blocks the voice has exactly the level of the function."""
    stages = {
        "attack_s": attack_s,
        "attack_curve_ratio": attack_curve_ratio,
        "decay_s": max(decay_s, 0.005),
        "sustain_ratio": sustain_ratio,
        "release_s": max(release_s, 0.005),
    }
    values = {f"amp_env.{name}": value for name, value in stages.items()}
    _, controls = play_with_controls(values, note=Note(60.0, gate_s=0.05), n_samples=8000)
    edges_s = np.arange(len(controls)) * 16 / 44_100
    # 1e-6: the voice multiplies the level by that of the velocity, 1.
    np.testing.assert_allclose(
        controls[:, control_kernels.AMP], adsr_level(edges_s, 0.05, **stages), rtol=1e-5, atol=1e-6
    )


@pytest.mark.parametrize("bend", [1.0, 0.5, 0.01])
def test_a_bent_attack_charges_like_a_capacitor(bend: float) -> None:
    """V (1 - exp(-t / RC)), charged from the voltage V that it reaches 1 with as the attack ends.

    Horowitz and Hill, The Art of Electronics, section 1.4 (from memory).
    """
    attack_s = STAGES["attack_s"]
    t = np.linspace(0.0, attack_s, 50, endpoint=False)
    level = adsr_level(t, 1.0, **STAGES, attack_curve_ratio=bend)
    time_constant_s = attack_s / (6.0 * bend * np.log(2.0))
    voltage = 1.0 / (1.0 - 2.0 ** (-6.0 * bend))
    # 1e-4: float32, where two numbers near 1 are taken from each other for a small bend.
    np.testing.assert_allclose(level, voltage * (1.0 - np.exp(-t / time_constant_s)), atol=1e-4)


def test_an_attack_bent_the_other_way_is_turned_about_its_middle() -> None:
    """Slow at first is quick at first, seen from the peak backwards."""
    t = np.linspace(0.0, STAGES["attack_s"], 41)
    quick, slow = (adsr_level(t, 1.0, **STAGES, attack_curve_ratio=bend) for bend in (0.7, -0.7))
    # 1e-5: float32.
    np.testing.assert_allclose(slow, 1.0 - quick[::-1], atol=1e-5)


def test_the_voice_is_as_loud_as_its_envelope() -> None:
    """The amplifier multiplies the sound by the level."""
    held = {"attack_s": 0.0005, "decay_s": 0.3, "sustain_ratio": 1.0, "release_s": 0.3}
    shaped = {f"amp_env.{name}": value for name, value in STAGES.items()}
    n_samples, note = 22_050, Note(60.0, gate_s=0.3)
    steady = play({}, note=Note(60.0, gate_s=2.0), n_samples=n_samples)
    level = adsr_level(np.arange(n_samples) / 44_100, 0.3, **STAGES)
    level_held = adsr_level(np.arange(n_samples) / 44_100, 2.0, **held)
    sound = play(shaped, note=note, n_samples=n_samples)
    # 1e-3: the voice draws the envelope in straight lines of 0.36 ms.
    np.testing.assert_allclose(sound * level_held, steady * level, atol=1e-3)


def test_the_pitch_envelope_is_that_of_the_voice() -> None:
    """At the edges of its blocks the voice has the pitch of the function."""
    shape = {"depth_cents": -300.0, "attack_s": 0.01, "decay_s": 0.03}
    values = {f"osc1.pitch_env.{name}": value for name, value in shape.items()}
    _, controls = play_with_controls(values, note=Note(60.0), n_samples=8000)
    edges_s = np.arange(len(controls)) * 16 / 44_100
    cents = 1200.0 * (controls[:, control_kernels.PITCH] - controls[0, control_kernels.PITCH])
    # 2e-3 cents: float32 has steps of 6e-4 cents around log2(pitch / rate) = -7.
    np.testing.assert_allclose(cents, pitch_envelope_cents(edges_s, **shape), atol=2e-3)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"times_s": [-0.1]}, "times_s is -0.1 s; it must be 0 to 120 s"),
        ({"times_s": [[0.1]]}, r"times_s has shape \(1, 1\); it must be a row"),
        ({"times_s": []}, r"times_s has shape \(0,\); it must be a row of at least one number"),
        ({"times_s": ["now"]}, "times_s is .*not a number"),
        ({"gate_s": -1.0}, "gate_s is -1 s; it must be 0 to 60 s"),
        ({"gate_s": [1.0]}, r"gate_s has shape \(1,\); it must be a single number"),
        ({"attack_s": 0.0}, "attack_s is 0 s; it must be 0.0001 to 60 s"),
        ({"decay_s": 0.0}, "decay_s is 0 s"),
        ({"sustain_ratio": 1.1}, "sustain_ratio is 1.1; it must be 0 to 1"),
        ({"release_s": float("nan")}, "release_s is nan s"),
    ],
)
def test_an_envelope_that_cannot_be_is_refused(change: dict[str, Any], message: str) -> None:
    """The message names the argument, its value and the range."""
    arguments = {"times_s": [0.1], "gate_s": 1.0, **STAGES, **change}
    with pytest.raises(ParameterError, match=message):
        adsr_level(**arguments)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"depth_cents": 3000.0}, "depth_cents is 3000 cents; it must be -2400 to 2400 cents"),
        ({"attack_s": -1.0}, "attack_s is -1 s"),
        ({"decay_s": 0.0}, "decay_s is 0 s"),
    ],
)
def test_a_pitch_envelope_that_cannot_be_is_refused(change: dict[str, Any], message: str) -> None:
    """The message names the argument, its value and the range."""
    arguments = {"depth_cents": 100.0, "attack_s": 0.01, "decay_s": 0.1, **change}
    with pytest.raises(ParameterError, match=message):
        pitch_envelope_cents([0.1], **arguments)
