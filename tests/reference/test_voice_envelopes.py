"""Envelopes, velocity and key tracking as they are documented, and no clicks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from shared import Note
from tests.voice_sounds import SAMPLE_RATE_HZ, play, play_with_controls
from voice import control_kernels
from voice.parts import adsr_level, pitch_envelope_cents, vibrato_cents

if TYPE_CHECKING:
    from shared import FloatArray

# The share of the way that a capacitor has gone after one time constant: 1 - 1 / e = 63.2 %
# (P. Horowitz and W. Hill, The Art of Electronics, 2015, 1.4.2; IEC 60050-103-05-26).
ONE_CONSTANT = 1.0 - np.exp(-1.0)
STAGES = {"attack_s": 0.08, "decay_s": 0.3, "sustain_ratio": 0.25, "release_s": 0.2}
STEADY = {"osc1.saw_level": 0.0, "osc1.triangle_level": 1.0}


def level_of(sound: FloatArray, at_s: float) -> float:
    """Return the level of a 441 Hz tone over 10 cycles around a time, against its full level."""
    first = round((at_s - 0.5 * 10 / 441.0) * SAMPLE_RATE_HZ)
    part = sound[first : first + 1000]  # 10 cycles of 100 samples
    fundamental = 2.0 * np.abs(np.mean(part * np.exp(-2j * np.pi * np.arange(1000) / 100.0)))
    return float(fundamental / (8.0 / np.pi**2))


# 441 Hz: 100 samples in a cycle.
TONE_PITCH = 69.0 + 12.0 * np.log2(441.0 / 440.0)


def tone(values: dict[str, float], *, gate_s: float, velocity: int = 100) -> FloatArray:
    """Play two seconds of the tone."""
    note = Note(TONE_PITCH, velocity=velocity, gate_s=gate_s)
    return play({**STEADY, **values}, note=note, n_samples=2 * SAMPLE_RATE_HZ)


def test_decay_and_release_go_63_percent_of_the_way_in_their_time() -> None:
    """RC discharging, heard: from the peak towards sustain, and from there towards zero."""
    sound = tone({f"amp_env.{name}": value for name, value in STAGES.items()}, gate_s=1.2)
    sustain = STAGES["sustain_ratio"]
    # The mean of an exponential over the window of 23 ms is a little above its middle: 1e-3.
    after_decay = level_of(sound, 0.08 + 0.3)
    assert (1.0 - after_decay) / (1.0 - sustain) == pytest.approx(ONE_CONSTANT, abs=2e-3)
    at_gate_end, after_release = level_of(sound, 1.2 - 0.012), level_of(sound, 1.2 + 0.2)
    held = sustain + (1.0 - sustain) * np.exp(-(1.2 - 0.08) / 0.3)
    fallen = sustain + (1.0 - sustain) * np.exp(-(1.2 - 0.012 - 0.08) / 0.3)
    assert at_gate_end == pytest.approx(fallen, abs=2e-3)
    assert 1.0 - after_release / held == pytest.approx(ONE_CONSTANT, abs=2e-3)


def test_the_attack_is_a_straight_line_to_the_peak() -> None:
    """A quarter, half and three quarters of the level at these parts of the attack."""
    sound = tone({"amp_env.attack_s": 0.4}, gate_s=1.9)
    for share in (0.25, 0.5, 0.75):
        assert level_of(sound, share * 0.4) == pytest.approx(share, abs=1e-3)


def test_a_key_let_go_in_the_attack_falls_from_where_it_was() -> None:
    """No jump to the peak: half way up at the gate's end, half as loud from there on."""
    sound = tone({"amp_env.attack_s": 0.6, "amp_env.release_s": 0.5}, gate_s=0.3)
    assert level_of(sound, 0.3 + 0.5) == pytest.approx(0.5 * np.exp(-1.0), abs=2e-3)


def test_the_functions_have_the_same_constants() -> None:
    """`adsr_level` and `pitch_envelope_cents` at their marked times."""
    sustain = STAGES["sustain_ratio"]
    levels = adsr_level([0.0, 0.04, 0.08, 0.38, 5.0, 5.2], 5.0, **STAGES)
    after_decay = sustain + (1.0 - sustain) * np.exp(-1.0)
    expected = [0.0, 0.5, 1.0, after_decay, sustain, sustain * np.exp(-1.0)]
    # 1e-6: float32.
    np.testing.assert_allclose(levels, expected, atol=1e-6)
    cents = pitch_envelope_cents(
        [0.005, 0.01, 0.04], depth_cents=-300, attack_s=0.01, decay_s=0.03
    )
    np.testing.assert_allclose(cents, [-150.0, -300.0, -300.0 * np.exp(-1.0)], atol=1e-3)


def test_the_filter_envelope_moves_the_cutoff_in_octaves() -> None:
    """Cutoff times 2 to the envelope: closed form against the controls of the voice."""
    values = {
        "filter.cutoff_hz": 250.0,
        "filter_env.depth_octaves": 3.5,
        **{f"filter_env.{name}": value for name, value in STAGES.items()},
    }
    _, controls = play_with_controls(values, note=Note(60.0, gate_s=0.7), n_samples=50_000)
    t = np.arange(len(controls)) * 16 / SAMPLE_RATE_HZ
    held_t = np.minimum(t, 0.7)
    falling = 0.25 + 0.75 * np.exp(-np.maximum(held_t - 0.08, 0.0) / 0.3)
    held = np.where(held_t < 0.08, held_t / 0.08, falling)
    level = held * np.exp(-np.maximum(t - 0.7, 0.0) / 0.2)
    cutoff_hz = np.arctan(controls[:, control_kernels.CUTOFF]) / np.pi * SAMPLE_RATE_HZ
    # 2e-5, 0.03 cents: float32.
    np.testing.assert_allclose(cutoff_hz, 250.0 * 2.0 ** (3.5 * level), rtol=2e-5)


def test_full_key_tracking_transposes_the_spectrum() -> None:
    """With a ratio of 1 the partials keep their levels from key to key (common practice)."""
    values = {"filter.cutoff_hz": 600.0, "filter.key_track_ratio": 1.0}
    values["filter.resonance_ratio"] = 0.5
    n_samples = SAMPLE_RATE_HZ
    levels_db = []
    for pitch_hz in (110.0, 220.0, 440.0):
        note = Note(69.0 + 12.0 * np.log2(pitch_hz / 440.0), gate_s=9.0)
        sound = play(values, note=note, n_samples=2 * n_samples)[n_samples:]
        partials = np.abs(np.fft.rfft(sound))[(pitch_hz * np.arange(1, 6)).astype(int)]
        levels_db.append(20.0 * np.log10(partials / partials[0]))
    # 0.3 dB: the warped axis, 0.07 dB per pole at 5 x 440 Hz (see test_voice_filters.py).
    np.testing.assert_allclose(levels_db[0], levels_db[1], atol=0.3)
    np.testing.assert_allclose(levels_db[0], levels_db[2], atol=0.3)


@pytest.mark.parametrize(
    ("velocity", "share"), [(1, -1.0), (50, -50 / 99), (100, 0.0), (127, 27 / 99)]
)
def test_velocity_is_counted_in_db_from_100(velocity: int, share: float) -> None:
    """24 dB between velocity 1 and 100, in a straight line, and on beyond."""
    sound = tone({"amp_env.velocity_db": 24.0}, gate_s=1.9, velocity=velocity)
    # 0.01 dB: float32.
    assert 20.0 * np.log10(level_of(sound, 1.0)) == pytest.approx(24.0 * share, abs=0.01)


def test_velocity_opens_the_filter_in_octaves() -> None:
    """2 octaves of envelope depth between velocity 1 and 100, and 27 hundredths more at 127."""
    values = {
        "filter.cutoff_hz": 500.0,
        "filter_env.depth_octaves": 3.0,
        "filter_env.velocity_octaves": 2.0,
    }
    for velocity, octaves in ((1, 1.0), (100, 3.0), (127, 3.0 + 2.0 * 27 / 99)):
        note = Note(60.0, velocity=velocity)
        _, controls = play_with_controls(values, note=note, n_samples=4000)
        cutoff_hz = np.arctan(controls[-1, control_kernels.CUTOFF]) / np.pi * SAMPLE_RATE_HZ
        assert cutoff_hz == pytest.approx(500.0 * 2.0**octaves, rel=1e-4)


def test_a_delayed_vibrato_rises_over_the_second_half_of_its_delay() -> None:
    """None up to half the delay, half the depth at three quarters, all of it at the end."""
    settings: dict[str, Any] = {"rate_hz": 12.0, "depth_cents": 100.0, "delay_s": 1.0}
    t = np.linspace(0.0, 2.0, 20_001)
    cents = vibrato_cents(t, **settings)
    # 1e-3 cents: float32 steps of the pitch.
    assert np.abs(cents[t < 0.5]).max() < 1e-3
    fade = np.clip(2.0 * t - 1.0, 0.0, 1.0)
    # 0.3 cents: straight lines of 0.36 ms through a sine of 12 Hz, and the phase at their edges.
    np.testing.assert_allclose(cents, 100.0 * fade * np.sin(2.0 * np.pi * 12.0 * t), atol=0.3)


def test_the_rate_of_a_vibrato_settles_in_half_a_second() -> None:
    """It starts two octaves down, and 63.2 % of them are gone after 0.5 s."""
    t = np.linspace(0.0, 4.0, 400_001)
    cents = vibrato_cents(t, rate_hz=8.0, depth_cents=100.0, rate_env_octaves=-2.0)
    # The closed form of the rate, integrated finely.
    rate_hz = 8.0 * 2.0 ** (-2.0 * np.exp(-t / 0.5))
    phase = np.concatenate([[0.0], np.cumsum(0.5 * (rate_hz[1:] + rate_hz[:-1])) * t[1]])
    # 0.3 cents: as above, after 30 cycles.
    np.testing.assert_allclose(cents, 100.0 * np.sin(2.0 * np.pi * phase), atol=0.3)


def test_key_tracking_of_a_vibrato_is_counted_in_octaves() -> None:
    """Two octaves up with ratios 0.5 and -0.5: twice the rate, half the depth."""
    t = np.linspace(0.0, 1.0, 5001)
    tracked = vibrato_cents(
        t,
        rate_hz=3.0,
        depth_cents=60.0,
        rate_key_track_ratio=0.5,
        depth_key_track_ratio=-0.5,
        midi_pitch=84.0,
    )
    np.testing.assert_allclose(tracked, vibrato_cents(t, rate_hz=6.0, depth_cents=30.0), atol=0.01)


SHAPES = {
    "shortest stages": ({"attack_s": 0.0005, "decay_s": 0.005, "sustain_ratio": 0.2,
                         "release_s": 0.005}, 0.05),
    "let go in the attack": ({"attack_s": 0.05, "decay_s": 0.1, "sustain_ratio": 1.0,
                              "release_s": 0.005}, 0.02),
    "let go in the decay": ({"attack_s": 0.002, "decay_s": 0.1, "sustain_ratio": 0.0,
                             "release_s": 0.05}, 0.03),
    "let go at the peak": ({"attack_s": 0.03, "decay_s": 0.02, "sustain_ratio": 0.5,
                            "release_s": 0.02}, 0.03),
    "let go at once": ({"attack_s": 0.01, "decay_s": 0.02, "sustain_ratio": 0.5,
                        "release_s": 0.5}, 0.0001),
}  # fmt: skip


@pytest.mark.parametrize("shape", SHAPES)
def test_no_stage_of_the_envelope_clicks(shape: str) -> None:
    """From sample to sample a note moves no more than its tone and its envelope do.

    |d(x e)| <= |e| max |dx| + |x| |de|: a jump of the level at the start, at the gate's end or
    between stages would go beyond.
    """
    stages, gate_s = SHAPES[shape]
    n_samples = 8000
    # A dark tone, whose own steps are small.
    dark = {"filter.cutoff_hz": 200.0}
    steady = play(dark, note=Note(33.0, gate_s=9.0), n_samples=n_samples)
    step = np.abs(np.diff(steady[2000:])).max()
    values = {f"amp_env.{name}": value for name, value in stages.items()}
    sound = play({**dark, **values}, note=Note(33.0, gate_s=gate_s), n_samples=n_samples)
    level = adsr_level(np.arange(n_samples) / SAMPLE_RATE_HZ, gate_s, **stages)
    edges = np.abs(np.diff(level[::16])).max() / 16  # as the voice draws it
    bound = step * level.max() + np.abs(steady).max() * edges
    assert np.abs(np.diff(np.concatenate([[0.0], sound]))).max() <= 1.01 * bound
    assert sound[0] == 0.0
