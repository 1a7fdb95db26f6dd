"""The colour and the course of the noise, against closed forms and scipy.

A difference of neighbouring samples has the gain 2 sin(pi f / rate), which rises by 6 dB an
octave;
a leaky sum is a one-pole low-pass, which falls by 6 dB an octave above its corner (Oppenheim and
Schafer, Discrete-Time Signal Processing; from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from shared import FloatArray, Note
from tests.voice_sounds import SAMPLE_RATE_HZ, play
from voice.parts import white_noise

NOISE = {"osc1.saw_level": 0.0, "noise.level": 1.0, "noise.sustain_ratio": 1.0}
N_SAMPLES = 60_000
DARK_CORNER_HZ = 200.0
# After the amplifier's attack of half a millisecond.
FROM = 100


def coloured(colour_ratio: float, **values: float) -> FloatArray:
    """Return noise alone, held."""
    noise = {**NOISE, "noise.colour_ratio": colour_ratio, **values}
    return play(noise, note=Note(60.0, gate_s=2.0), n_samples=N_SAMPLES)


def slope_db(sound: FloatArray, low_hz: float, high_hz: float) -> float:
    """Return by how many dB an octave the spectrum rises between two frequencies."""
    hz, power = signal.welch(sound[FROM:], SAMPLE_RATE_HZ, nperseg=1024)
    chosen = (hz >= low_hz) & (hz <= high_hz)
    return float(np.polyfit(np.log2(hz[chosen]), 10.0 * np.log10(power[chosen]), 1)[0])


@pytest.mark.parametrize(("colour_ratio", "expected_db"), [(0.0, 0.0), (1.0, 6.0), (-1.0, -6.0)])
def test_noise_rises_or_falls_by_six_db_an_octave(colour_ratio: float, expected_db: float) -> None:
    """White, bright and dark; far from the corner and from half the rate."""
    # 0.3 dB: the scatter of 116 windows over 2.3 octaves; the bright one bends by 0.1 dB there.
    assert slope_db(coloured(colour_ratio), 1000.0, 5000.0) == pytest.approx(expected_db, abs=0.3)


@pytest.mark.parametrize("colour_ratio", [-1.0, -0.4, 0.3, 1.0])
def test_coloured_noise_is_what_scipy_filters(colour_ratio: float) -> None:
    """`scipy.signal.lfilter`: between the ends, white noise and the end are mixed."""
    white = white_noise(N_SAMPLES).astype(np.float64)
    keep = np.exp(-2.0 * np.pi * DARK_CORNER_HZ / SAMPLE_RATE_HZ)
    if colour_ratio < 0.0:
        end = signal.lfilter([np.sqrt(1.0 - keep**2)], [1.0, -keep], white)
    else:
        end = signal.lfilter([np.sqrt(0.5), -np.sqrt(0.5)], [1.0], white)
    share = abs(colour_ratio)
    expected = (1.0 - share) * white + share * end
    # 1e-5: float32.
    np.testing.assert_allclose(coloured(colour_ratio)[FROM:], expected[FROM:], atol=1e-5)


@pytest.mark.parametrize("colour_ratio", [-1.0, 1.0])
def test_the_ends_are_as_loud_as_white_noise(colour_ratio: float) -> None:
    """Turning the colour all the way doesn't turn the level."""
    levels = [np.sqrt(np.mean(coloured(ratio)[FROM:] ** 2)) for ratio in (0.0, colour_ratio)]
    # 8 %: dark noise over 1.4 s has few independent values.
    assert levels[1] == pytest.approx(levels[0], rel=0.08)


def test_noise_falls_to_its_sustain() -> None:
    """Exponentially, with its time constant, from the level to a share of it."""
    decay_s, kept = 0.1, 0.25
    falling = coloured(0.0, **{"noise.decay_s": decay_s, "noise.sustain_ratio": kept})
    t = np.arange(N_SAMPLES) / SAMPLE_RATE_HZ
    expected = kept + (1.0 - kept) * np.exp(-t / decay_s)
    # 1e-4: control values every 0.36 ms, in straight lines between.
    np.testing.assert_allclose(falling[FROM:], (expected * coloured(0.0))[FROM:], atol=1e-4)


def test_without_sustain_noise_dies_away() -> None:
    """As it did before there was one: 60 dB down after seven time constants."""
    dying = coloured(0.0, **{"noise.decay_s": 0.1, "noise.sustain_ratio": 0.0})
    late = slice(round(0.7 * SAMPLE_RATE_HZ), round(0.8 * SAMPLE_RATE_HZ))
    assert np.abs(dying[late]).max() < 0.001 * np.abs(coloured(0.0)[late]).max()


@pytest.mark.parametrize("attack_s", [0.05, 0.4])
def test_the_noise_rises_in_a_straight_line_then_falls(attack_s: float) -> None:
    """T / attack up to 1, then exp(-(t - attack) / decay), down to the share that stays."""
    decay_s, kept = 0.1, 0.25
    at_once = coloured(0.0)
    shape = {"noise.attack_s": attack_s, "noise.decay_s": decay_s, "noise.sustain_ratio": kept}
    shaped = coloured(0.0, **shape)
    times_s = np.arange(len(shaped)) / SAMPLE_RATE_HZ
    falling = kept + (1.0 - kept) * np.exp(-np.maximum(times_s - attack_s, 0.0) / decay_s)
    expected = np.minimum(times_s / attack_s, 1.0) * falling
    # 2e-3: straight lines between control values 0.36 ms apart, across the tip.
    np.testing.assert_allclose(shaped, expected * at_once, atol=2e-3 * np.abs(at_once).max())
