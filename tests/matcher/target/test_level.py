"""Onset, noise floor and end of a recording."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.target.level import NoteSpan, find_span, frame_level_db, short_level_db
from tests.matcher.target.tones import RATE_HZ, padded, played_saw


def noise(n_samples: int, level_db: float, seed: int = 1) -> np.ndarray:
    """Return white noise of a known RMS level."""
    rng = np.random.default_rng(seed)
    return rng.normal(size=n_samples) * 10.0 ** (level_db / 20.0)


def span_of(signal: np.ndarray) -> NoteSpan:
    """Return the note that is found."""
    span = find_span(signal, sample_rate_hz=RATE_HZ)
    assert span is not None
    return span


def onset_s(signal: np.ndarray) -> float:
    """Return the onset that is found, in s."""
    return span_of(signal).onset / RATE_HZ


def test_short_level_is_that_of_the_last_millisecond() -> None:
    """A step of amplitude 1 reaches 0 dB one window after it began, and -3 dB after half of it."""
    signal = np.concatenate([np.zeros(1000), np.ones(1000)])
    level = short_level_db(signal, sample_rate_hz=RATE_HZ)
    assert level[999] == -120.0
    assert level[1000 + 43] == pytest.approx(0.0, abs=1e-9)
    assert level[1000 + 21] == pytest.approx(-3.0103, abs=1e-3)


def test_frame_level_of_a_short_last_frame_is_its_own_mean() -> None:
    """A constant has one level in all frames, also in one that isn't full."""
    level = frame_level_db(np.full(1050, 0.1), n_frame=100)
    assert level.size == 11
    np.testing.assert_allclose(level, -20.0, atol=1e-9)


@pytest.mark.parametrize("midi_pitch", [36.0, 84.0])
def test_a_hard_onset_is_found_to_the_millisecond(midi_pitch: float) -> None:
    """The onset of a 2 ms attack lies within 1 ms of the truth at all pitches."""
    signal = padded(played_saw(midi_pitch, attack_s=0.002), before_s=0.25)
    assert onset_s(signal) == pytest.approx(0.25, abs=0.001)


@pytest.mark.parametrize("attack_s", [0.05, 1.0])
def test_a_slow_onset_lies_where_the_rise_passes_minus_40_db(attack_s: float) -> None:
    """A straight rise is at -40 dB of its peak after 1 % of its time; ripple adds little."""
    tone = played_saw(60.0, attack_s=attack_s, gate_s=1.5)
    # 1.5 ms: the level ripples within a period of 3.8 ms, and a crossing may wait for its crest.
    assert onset_s(padded(tone, before_s=0.2)) == pytest.approx(
        0.2 + 0.01 * attack_s, abs=0.0015 + 0.01 * attack_s
    )


@pytest.mark.parametrize(("click", "ahead_s"), [(0.2, 0.06), (0.9, 0.15)])
def test_a_click_before_the_note_is_not_its_onset(click: float, ahead_s: float) -> None:
    """A millisecond of noise, even louder than the note, is passed over."""
    signal = padded(played_saw(60.0), before_s=0.3)
    first = round((0.3 - ahead_s) * RATE_HZ)
    signal[first : first + 44] += click * np.sign(noise(44, 0.0))
    assert onset_s(signal) == pytest.approx(0.3, abs=0.001)


@pytest.mark.parametrize("level_db", [-80.0, -30.0])
def test_the_noise_floor_is_measured_against_the_peak(level_db: float) -> None:
    """White noise before and after a note is found within 1.5 dB of its level."""
    signal = padded(played_saw(60.0, attack_s=0.002), before_s=0.3, after_s=0.5)
    peak_db = short_level_db(signal, sample_rate_hz=RATE_HZ).max()
    signal += noise(signal.size, level_db)
    span = span_of(signal)
    # The median of short frames of noise lies 0.05 dB under its mean; noise also adds to the peak.
    assert span.noise_floor_db == pytest.approx(level_db - peak_db, abs=1.5)
    # At -30 dB the threshold is 10 dB above the noise, and the attack passes it later.
    assert span.onset / RATE_HZ == pytest.approx(0.3, abs=0.002)


def test_hum_is_a_noise_floor() -> None:
    """A steady 50 Hz tone before the note is noise, although it is periodic."""
    signal = padded(played_saw(60.0), before_s=0.4, after_s=0.6)
    signal += 0.002 * np.sin(2.0 * np.pi * 50.0 * np.arange(signal.size) / RATE_HZ)
    span = span_of(signal)
    assert -56.0 < span.noise_floor_db < -44.0
    assert span.onset / RATE_HZ == pytest.approx(0.4, abs=0.001)


def test_silence_around_a_note_has_the_lowest_floor() -> None:
    """Digital silence is reported as -120 dB, whatever the level of the note."""
    signal = padded(played_saw(60.0, gate_s=0.3), before_s=0.3, after_s=0.3)
    assert span_of(signal).noise_floor_db == -120.0


@pytest.mark.parametrize("release_s", [1.0])
def test_a_long_release_is_no_noise(release_s: float) -> None:
    """A recording that ends within a release has no measurable floor, and is kept to its end."""
    signal = played_saw(60.0, gate_s=0.5, tail_s=1.0, release_s=release_s)
    span = span_of(signal)
    assert span.noise_floor_db == -120.0
    assert span.end == signal.size


def test_a_slow_attack_from_the_first_sample_is_no_noise() -> None:
    """A rise over 2 s begins at its beginning, though it is quiet for long."""
    assert onset_s(played_saw(48.0, attack_s=2.0, gate_s=2.5)) < 0.06


def test_the_end_is_where_the_note_has_fallen_to_the_noise() -> None:
    """A release of 50 ms reaches 6 dB above a floor of -60 dB after 54 dB, 0.31 s."""
    tone = played_saw(60.0, gate_s=0.5, tail_s=1.5, release_s=0.05)
    signal = padded(tone, before_s=0.2) + noise(round(2.2 * RATE_HZ), -66.0 - 7.0)
    span = span_of(signal)
    assert span.end / RATE_HZ == pytest.approx(0.2 + 0.5 + 0.31, abs=0.06)


def test_a_click_long_after_the_note_does_not_prolong_it() -> None:
    """What comes after a quiet stretch of 0.2 s isn't part of the note."""
    signal = padded(played_saw(60.0, gate_s=0.5), after_s=1.0)
    signal[round(1.7 * RATE_HZ) :][:100] = 0.1
    span = span_of(signal)
    assert span.end < 1.2 * RATE_HZ


def test_neither_noise_nor_a_click_is_a_note() -> None:
    """In steady noise the span is all of it, or there is none; a click isn't 30 ms of sound."""
    span = find_span(noise(RATE_HZ, -30.0), sample_rate_hz=RATE_HZ)
    assert span is None or span.end - span.onset > 0.9 * RATE_HZ
    signal = np.zeros(RATE_HZ)
    signal[20_000:20_044] = 0.5
    assert find_span(signal, sample_rate_hz=RATE_HZ) is None
