"""What the losses measure, against other libraries and a standard.

librosa 0.11 gives transforms, mel bands and onset strength. ISO/IEC 15938-4 (MPEG-7 audio),
LogAttackTime: the decimal logarithm of the time from where the signal's envelope starts to where
it reaches its sustained part; the thresholds of 2 % and 80 % are those in common use, from memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import librosa
import numpy as np
import pytest

from matcher.losses import NoteTarget
from matcher.losses.note_target import ENVELOPE_HOP, FLOOR_DB, ONSET_FRAMES_BEFORE
from matcher.losses.windows import LOWEST_HZ

if TYPE_CHECKING:
    from matcher.losses.windows import Window
    from shared import FloatArray

RATES_HZ = [22_050, 48_000]


def fading_noise(sample_rate_hz: int, duration_s: float = 0.5) -> FloatArray:
    """Return noise that begins at once and fades by 60 dB, so that all levels occur."""
    rng = np.random.default_rng(11)
    n_samples = round(duration_s * sample_rate_hz)
    fall = 10.0 ** (-3.0 * np.arange(n_samples) / n_samples)
    noise = rng.standard_normal(n_samples)
    # A soft first sample would put the onset at the second one.
    noise[0] = 1.0
    return noise * fall


def librosa_mel(signal: FloatArray, window: Window, sample_rate_hz: int) -> FloatArray:
    """Return librosa's mel powers, shape=(n_frames, n_mels), bands without a bin left out."""
    plan = window.plan
    mel = librosa.feature.melspectrogram(
        y=signal,
        sr=sample_rate_hz,
        n_fft=plan.n_fft,
        hop_length=plan.hop,
        window="hann",
        center=True,
        pad_mode="constant",
        power=2.0,
        n_mels=plan.n_mels,
        fmin=LOWEST_HZ,
        fmax=min(plan.high_hz, sample_rate_hz / 2),
    )
    return mel[mel.any(axis=1)].T


@pytest.mark.parametrize("sample_rate_hz", RATES_HZ)
@pytest.mark.filterwarnings("ignore:Empty filters detected")
def test_levels_are_those_of_librosas_mel_spectrogram(sample_rate_hz: int) -> None:
    """`librosa.feature.melspectrogram` (0.11), Hann window, in dB over a floor of -80 dB.

    Of all window sizes, and of the short windows at the onset, which start before it.
    """
    signal = fading_noise(sample_rate_hz)
    target = NoteTarget(signal, sample_rate_hz=sample_rate_hz)
    for window in target.windows:
        mel = librosa_mel(signal, window, sample_rate_hz)[: len(window.levels)]
        assert window.levels.shape == mel.shape
        floor = mel.max() * 10.0 ** (FLOOR_DB / 10.0)
        # 0.01 dB: single precision throughout, down to 80 dB under the loudest band.
        np.testing.assert_allclose(window.levels, 10.0 * np.log10(mel + floor), atol=0.01)
        np.testing.assert_allclose(window.amplitudes**2, mel + floor, rtol=0.0025)
    window = target.onset
    own = window.levels[ONSET_FRAMES_BEFORE:]
    # In time, not frames: 150 ms and no more.
    assert len(own) == 1 + round(0.15 * sample_rate_hz) // window.plan.hop
    mel = librosa_mel(signal, window, sample_rate_hz)[: len(own)]
    floor = mel.max() * 10.0 ** (FLOOR_DB / 10.0)
    np.testing.assert_allclose(own, 10.0 * np.log10(mel + floor), atol=0.01)


def test_onset_strength_is_that_of_librosa() -> None:
    """`librosa.onset.onset_strength` (0.11): mean rise of the log bands, scale 1."""
    signal = fading_noise(44_100)
    target = NoteTarget(signal, sample_rate_hz=44_100)
    expected = librosa.onset.onset_strength(
        S=target.onset.levels.T.astype(np.float64), center=False, lag=1, max_size=1
    )
    # librosa puts a frame of nothing in front, to keep the count of frames.
    np.testing.assert_allclose(target.measures.onset_flux, expected[1:], rtol=1e-5, atol=1e-6)


def test_onset_strength_follows_librosas_own_spectrogram() -> None:
    """From the samples on, in librosa's way: the same course up to scale and offset."""
    rng = np.random.default_rng(2)
    signal = np.concatenate([0.1 * rng.standard_normal(3000), rng.standard_normal(9000)])
    target = NoteTarget(signal, sample_rate_hz=44_100)
    expected = librosa.onset.onset_strength(
        y=signal, sr=44_100, n_fft=256, hop_length=64, n_mels=40, fmin=LOWEST_HZ, center=False
    )
    own = target.measures.onset_flux[ONSET_FRAMES_BEFORE:]
    n = min(len(own), len(expected) - 1)
    # 0.99: librosa cuts at 80 dB under the peak where we add a floor, and its bands reach 22 kHz.
    assert np.corrcoef(own[:n], expected[1 : n + 1])[0, 1] > 0.99
    assert abs(int(np.argmax(own[5:n])) - int(np.argmax(expected[6 : n + 1]))) <= 1


@pytest.mark.parametrize("attack_s", [0.01, 0.1, 0.4])
@pytest.mark.parametrize("sample_rate_hz", RATES_HZ)
def test_log_attack_time_of_a_straight_line(attack_s: float, sample_rate_hz: int) -> None:
    """ISO/IEC 15938-4: from 2 % to 80 % of the peak, a straight line takes 78 % of its time."""
    t = np.arange(round(0.7 * sample_rate_hz)) / sample_rate_hz
    signal = np.sin(2.0 * np.pi * 4000.0 * t) * np.minimum(t / attack_s, 1.0)
    target = NoteTarget(signal, sample_rate_hz=sample_rate_hz)
    found_s = target.measures.attack_hops[-1] * target.hop / sample_rate_hz
    # Half a millisecond: the lower threshold is crossed on a grid of a quarter, and the levels of
    # 1 ms straddle both. 1 %: those levels ripple where the sine's cycles don't fill them.
    assert found_s == pytest.approx(0.78 * attack_s, rel=0.01, abs=0.0005)
    assert np.log10(found_s) == pytest.approx(np.log10(0.78 * attack_s), abs=0.03)


def test_the_level_over_time_is_librosas_rms() -> None:
    """`librosa.feature.rms` (0.11) of 10 ms every 5 ms, in dB over a floor of -60 dB."""
    signal = fading_noise(44_100)
    target = NoteTarget(signal, sample_rate_hz=44_100)
    step = ENVELOPE_HOP * target.hop
    # The grid of short powers starts a little before the onset.
    grid = np.pad(signal, (target.lead % target.hop, 0))
    rms = librosa.feature.rms(y=grid, frame_length=2 * step, hop_length=step, center=False)[0]
    own = target.measures.envelope[2 : 2 + len(rms)]
    power = 2 * step * rms.astype(np.float64) ** 2
    floor = power.max() * 1e-6
    # 0.001 dB: single precision.
    np.testing.assert_allclose(own, 10.0 * np.log10(power[: len(own)] + floor), atol=0.001)
