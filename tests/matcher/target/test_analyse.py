"""Vibrato, beating, brightness and noise: found where they are, and not where they aren't."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.target import target_from_signal
from matcher.target.analyse import centroid_track, harmonic_to_noise_db
from matcher.target.harmonics import steady_track
from tests.matcher.target.tones import (
    RATE_HZ,
    adsr,
    harmonic_tone,
    harmonics_of_saw,
    key_hz,
)

if TYPE_CHECKING:
    from matcher.target import NoteAnalysis
    from shared.types import FloatArray


def analysis_of(tone: FloatArray, key: float) -> NoteAnalysis:
    """Play a tone of 1.6 s as a note of 1.3 s, and measure it."""
    signal = 0.2 * tone * adsr(tone.size, gate_s=1.3, attack_s=0.02, decay_s=0.3, sustain=0.7)
    return target_from_signal(signal, RATE_HZ, midi_pitch=key).analysis


def saw(key: float, vibrato: tuple[float, float, float] = (5.0, 0.0, 0.0)) -> FloatArray:
    """Return 1.6 s of a sawtooth."""
    hz = key_hz(key)
    return harmonic_tone(hz, harmonics_of_saw(hz), duration_s=1.6, vibrato=vibrato)


@pytest.mark.parametrize(
    ("key", "rate_hz", "depth_cents"), [(36.0, 7.0, 30.0), (60.0, 3.0, 50.0), (79.0, 5.5, 12.0)]
)
def test_a_vibrato_is_measured(key: float, rate_hz: float, depth_cents: float) -> None:
    """Rate within 2 %, depth within 10 %, and no delay where there is none."""
    analysis = analysis_of(saw(key, (rate_hz, depth_cents, 0.0)), key)
    assert analysis.vibrato_rate_hz == pytest.approx(rate_hz, rel=0.02)
    assert analysis.vibrato_depth_cents == pytest.approx(depth_cents, rel=0.1)
    assert analysis.vibrato_delay_s == pytest.approx(0.0, abs=0.2)
    # It moves all harmonics at one rate, beating each at its own.
    assert analysis.beating_hz is None


@pytest.mark.parametrize("delay_s", [0.5])
def test_the_delay_of_a_vibrato_is_measured(delay_s: float) -> None:
    """A vibrato that fades in reaches its full depth at the delay, within 0.15 s."""
    analysis = analysis_of(saw(60.0, (6.0, 30.0, delay_s)), 60.0)
    assert analysis.vibrato_delay_s == pytest.approx(delay_s, abs=0.15)
    assert analysis.vibrato_depth_cents == pytest.approx(30.0, rel=0.1)


@pytest.mark.parametrize("key", [36.0, 84.0])
def test_a_steady_tone_has_neither_vibrato_nor_beating(key: float) -> None:
    """Nothing is found where nothing moves."""
    analysis = analysis_of(saw(key), key)
    assert analysis.vibrato_rate_hz is None
    assert analysis.vibrato_depth_cents is None
    assert analysis.vibrato_delay_s is None
    assert analysis.beating_hz is None


def test_noise_on_a_tone_is_no_vibrato(rng: np.random.Generator) -> None:
    """Random movement isn't a sine."""
    tone = saw(60.0)
    tone += rng.normal(size=tone.size) * tone.std()
    assert analysis_of(tone, 60.0).vibrato_rate_hz is None


@pytest.mark.parametrize(
    ("key", "detune_cents", "second_level"),
    [(43.0, 15.0, 1.0), (55.0, 8.0, 0.4), (79.0, 8.0, 1.0)],
)
def test_two_detuned_sawtooths_beat(key: float, detune_cents: float, second_level: float) -> None:
    """The beat rate is the difference of the fundamentals, within 5 %, also if one is quiet."""
    low, high = (key_hz(key + side * detune_cents / 200.0) for side in (-1.0, 1.0))
    tone = harmonic_tone(low, harmonics_of_saw(low), duration_s=1.6)
    tone += second_level * harmonic_tone(high, harmonics_of_saw(high), duration_s=1.6)
    assert analysis_of(tone, key).beating_hz == pytest.approx(high - low, rel=0.05)


def test_tremolo_is_neither_vibrato_nor_beating() -> None:
    """A level that moves leaves the pitch alone, and moves all harmonics at one rate."""
    tone = saw(60.0)
    tone *= 1.0 + 0.4 * np.sin(2.0 * np.pi * 5.0 * np.arange(tone.size) / RATE_HZ)
    analysis = analysis_of(tone, 60.0)
    assert analysis.beating_hz is None
    assert analysis.vibrato_rate_hz is None


@pytest.mark.parametrize("rate_hz", [0.5, 3.0])
def test_pulse_width_modulation_is_not_taken_for_beating(rate_hz: float) -> None:
    """A pulse is the difference of two sawtooths, one of them moved by the width."""
    times = np.arange(round(1.6 * RATE_HZ)) / RATE_HZ
    width = 0.5 + 0.3 * np.sin(2.0 * np.pi * rate_hz * times)
    hz = key_hz(60.0)
    tone = sum(
        np.sin(2.0 * np.pi * h * hz * times) / h
        - np.sin(2.0 * np.pi * h * (hz * times - width)) / h
        for h in range(1, 60)
    )
    assert analysis_of(np.asarray(tone), 60.0).beating_hz is None


def test_a_short_note_has_no_measurable_vibrato() -> None:
    """Less than two cycles can't be told from a glide."""
    hz = key_hz(60.0)
    tone = harmonic_tone(hz, harmonics_of_saw(hz), duration_s=0.3, vibrato=(5.0, 30.0, 0.0))
    signal = 0.2 * tone * adsr(tone.size, gate_s=0.2, release_s=0.01)
    analysis = target_from_signal(signal, RATE_HZ).analysis
    assert analysis.vibrato_rate_hz is None
    assert analysis.beating_hz is None


def test_the_centroid_of_a_sine_is_its_frequency() -> None:
    """One line is its own centre of gravity; silence has none and is 0."""
    tone = np.concatenate(
        [harmonic_tone(1000.0, {1: 1.0}, duration_s=0.5), np.zeros(RATE_HZ // 2)]
    )
    times, centroid = centroid_track(tone, sample_rate_hz=RATE_HZ)
    # 10 Hz: half a bin of the transform.
    np.testing.assert_allclose(centroid[(times > 0.05) & (times < 0.45)], 1000.0, atol=10.0)
    np.testing.assert_array_equal(centroid[times > 0.6], 0.0)


@pytest.mark.parametrize(("pitch_hz", "ratio_db"), [(65.4, 0.0), (261.6, 30.0), (1046.5, 15.0)])
def test_harmonic_to_noise_ratio_is_that_of_the_mixture(
    pitch_hz: float, ratio_db: float, rng: np.random.Generator
) -> None:
    """White noise of a known level under a tone is measured within 1 dB."""
    tone = harmonic_tone(pitch_hz, harmonics_of_saw(pitch_hz))
    noise = rng.normal(size=tone.size) * tone.std() * 10.0 ** (-ratio_db / 20.0)
    track = steady_track(np.arange(0.0, 1.0, 0.005), pitch_hz)
    measured = harmonic_to_noise_db(
        tone + noise, track, sample_rate_hz=RATE_HZ, start_s=0.1, end_s=0.9
    )
    assert measured == pytest.approx(ratio_db, abs=1.0)


def test_harmonic_to_noise_ratio_of_no_frame_is_unknown() -> None:
    """A stretch without frames has no ratio."""
    track = steady_track(np.array([0.1]), 220.0)
    assert (
        harmonic_to_noise_db(
            np.ones(RATE_HZ), track, sample_rate_hz=RATE_HZ, start_s=0.5, end_s=0.9
        )
        is None
    )
