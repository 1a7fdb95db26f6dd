"""The oscillators against their Fourier series, and against what moving them may bring.

Levels are in dB relative to the strongest partial. 44.1 kHz, the rate of the demo targets.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.special import i0, jv

from shared import Note, midi_to_hz
from tests.voice_sounds import SAMPLE_RATE_HZ, play, play_with_controls
from voice import control_kernels, wavetables
from voice.parts import oscillator

if TYPE_CHECKING:
    from shared import FloatArray

N_FFT = 65_536
BLOCK = 16
# Up to here every partial has its full level: `voice.wavetables` lets them fade from 0.42 of the
# rate on, and the table that is nearest to a pitch may be meant for one 2 % higher.
FULL_TO_HZ = 0.41 * SAMPLE_RATE_HZ
WAVEFORMS = ("sawtooth", "pulse", "triangle")
WIDTH = 0.3


def series(waveform: str, n_partials: int) -> FloatArray:
    """Return the complex amplitudes c of ``Im(c exp(2 pi i h phase))``, h = 1, 2, ...

    Sawtooth and triangle: M. Abramowitz and I. Stegun, Handbook of Mathematical Functions, 1964,
    23.1.16 (B1) and 23.1.18 (E1), from memory. Pulse: A. V. Oppenheim and A. S. Willsky, Signals
    and Systems, 1997, example 3.5 (a_k = sin(k w0 T1) / (k pi) for a pulse around 0).
    """
    h = np.arange(1.0, n_partials + 1)
    if waveform == "sawtooth":
        return -2.0 / (np.pi * h)
    if waveform == "triangle":
        odd = np.where(h % 2 == 1, 1.0, 0.0)
        return 8.0 / (np.pi * h) ** 2 * odd * np.sin(0.5 * np.pi * h)
    # High from 1 - width to 1: a pulse around 1 - width / 2, as high as 2 above its low level.
    centre = np.exp(-2j * np.pi * h * (1.0 - 0.5 * WIDTH))
    return 1j * 4.0 * np.sin(np.pi * h * WIDTH) / (np.pi * h) * centre


@pytest.mark.parametrize("waveform", WAVEFORMS)
@pytest.mark.parametrize("n_cycles", [41, 97, 389, 1553, 5945], ids="{} cycles".format)
def test_partials_have_level_and_phase_of_their_series(waveform: str, n_cycles: int) -> None:
    """27.6 Hz to 4 kHz: every partial up to 0.41 of the rate."""
    pitch_hz = n_cycles * SAMPLE_RATE_HZ / N_FFT
    wave = oscillator(pitch_hz, n_samples=N_FFT, waveform=waveform, pulse_width_ratio=WIDTH)
    n_partials = int(FULL_TO_HZ / pitch_hz)
    heard = np.fft.rfft(wave)[n_cycles * np.arange(1, n_partials + 1)] / (N_FFT / 2) * 1j
    expected = series(waveform, n_partials)
    # 3e-6 of full scale, -110 dB: float32, and the images of partials read from a table in
    # straight lines, some of which fall on others.
    np.testing.assert_allclose(heard, expected, atol=3e-6, rtol=2e-4)


def kaiser_spectrum_db(sound: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return frequencies in Hz and levels in dB; a line is 16 bins wide, side lobes -180 dB."""
    levels = np.abs(np.fft.rfft(sound * np.kaiser(len(sound), 22.0)))
    frequencies_hz = np.fft.rfftfreq(len(sound), 1.0 / SAMPLE_RATE_HZ)
    return frequencies_hz, 20.0 * np.log10(levels / levels.max() + 1e-12)


@pytest.mark.parametrize("waveform", WAVEFORMS)
@pytest.mark.parametrize("midi_pitch", [18.4, 24.7, 33.3, 45.1, 57.9, 69.2, 83.7, 95.5, 107.6])
def test_a_still_wave_has_nothing_but_harmonics(waveform: str, midi_pitch: float) -> None:
    """Up to 4 kHz, nothing between the harmonics is stronger than -80 dB."""
    pitch_hz = midi_to_hz(midi_pitch)
    # Lines have to be narrower than their distance.
    n_samples = N_FFT if pitch_hz > 40.0 else 4 * N_FFT
    wave = oscillator(pitch_hz, n_samples=n_samples, waveform=waveform, pulse_width_ratio=WIDTH)
    frequencies_hz, level_db = kaiser_spectrum_db(wave)
    line_hz = 16.0 * SAMPLE_RATE_HZ / n_samples
    nearest = np.maximum(np.rint(frequencies_hz / pitch_hz), 1.0)
    distance_hz = np.abs(frequencies_hz - nearest * pitch_hz)
    assert level_db[distance_hz > line_hz].max() < -80.0


@pytest.mark.parametrize("waveform", WAVEFORMS)
@pytest.mark.parametrize(
    ("pitch_hz", "depth_cents"), [(1500.0, 20.0), (3950.0, 40.0)], ids=["1.5 kHz", "4 kHz"]
)
def test_a_vibrato_brings_nothing_beyond_its_sidebands(
    waveform: str, pitch_hz: float, depth_cents: float
) -> None:
    """Outside of each harmonic's sidebands nothing is stronger than -80 dB.

    Frequency modulation with index beta gives sidebands of the amplitudes J_n(beta) (J. M.
    Chowning, "The Synthesis of Complex Audio Spectra by Means of Frequency Modulation", J. Audio
    Eng. Soc. 21, 1973). Carson's bandwidth holds 98 % of the power; here all sidebands down to
    -100 dB are taken for the harmonic's own.
    """
    rate_hz = 6.0
    t = np.arange(2 * N_FFT) / SAMPLE_RATE_HZ
    moving_hz = pitch_hz * 2.0 ** (depth_cents / 1200.0 * np.sin(2.0 * np.pi * rate_hz * t))
    wave = oscillator(moving_hz, n_samples=len(t), waveform=waveform, pulse_width_ratio=WIDTH)
    frequencies_hz, level_db = kaiser_spectrum_db(wave)
    is_own = frequencies_hz < 0.0
    for h in range(1, int(0.5 * SAMPLE_RATE_HZ / pitch_hz) + 1):
        beta = h * pitch_hz * np.log(2.0) * depth_cents / 1200.0 / rate_hz
        n_sidebands = np.flatnonzero(np.abs(jv(np.arange(1000), beta)) > 1e-5)[-1] + 1
        width_hz = (n_sidebands + 1) * rate_hz + 16.0 * SAMPLE_RATE_HZ / len(t)
        is_own |= np.abs(frequencies_hz - h * pitch_hz) < width_hz
    assert (~is_own).sum() > 0.1 * len(is_own)
    assert level_db[~is_own].max() < -80.0


def additive(phase: FloatArray, pitch_of_rate: FloatArray) -> FloatArray:
    """Sum the partials of a sawtooth that follows a phase, each at the level of its frequency."""
    wave = np.zeros_like(phase)
    for h in range(1, int(0.5 / pitch_of_rate.min()) + 1):
        gain = wavetables.partial_gain(h * pitch_of_rate)
        wave -= 2.0 / (np.pi * h) * gain * np.sin(2.0 * np.pi * h * phase)
    return wave


def ramps(edges: FloatArray, n_samples: int) -> FloatArray:
    """Draw straight lines between the controls at the edges of the blocks."""
    n_blocks = len(edges) - 1
    slopes = (edges[1:] - edges[:-1]) / BLOCK
    lines = edges[:-1, None] + slopes[:, None] * np.arange(BLOCK)
    assert lines.shape == (n_blocks, BLOCK)
    return lines.ravel()[:n_samples]


def exact_note(controls: FloatArray, pulse: float, n_samples: int) -> FloatArray:
    """Follow the voice's own pitch, width and level by additive synthesis in float64."""
    pitch_of_rate = ramps(controls[:, control_kernels.STEP], n_samples) / 2.0**32
    phase = np.cumsum(pitch_of_rate) - pitch_of_rate
    width = ramps(controls[:, control_kernels.TURN], n_samples) / 2.0**32
    wave = additive(phase, pitch_of_rate)
    if pulse:
        wave -= additive(phase + width, pitch_of_rate)
    return wave * ramps(controls[:, control_kernels.AMP], n_samples)


PULSE = {"osc1.saw_level": 0.0, "osc1.pulse_level": 1.0}
MOVEMENTS: dict[str, dict[str, float]] = {
    "deepest vibrato": {"osc1.vibrato.depth_cents": 100.0, "osc1.vibrato.rate_hz": 12.0},
    "pitch envelope of brass": {
        "osc1.pitch_env.depth_cents": -300.0,
        "osc1.pitch_env.decay_s": 0.05,
    },
    "overshooting pitch": {
        "osc1.pitch_env.depth_cents": 200.0,
        "osc1.pitch_env.attack_s": 0.012,
        "osc1.pitch_env.decay_s": 0.06,
    },
    "slow rise by an octave": {
        "osc1.pitch_env.depth_cents": 1200.0,
        "osc1.pitch_env.attack_s": 0.2,
        "osc1.pitch_env.decay_s": 1.0,
    },
    "falling octave": {"osc1.pitch_env.depth_cents": 1200.0, "osc1.pitch_env.decay_s": 0.02},
    "fastest fall": {"osc1.pitch_env.depth_cents": 2400.0, "osc1.pitch_env.decay_s": 0.002},
    "fastest dip": {"osc1.pitch_env.depth_cents": -2400.0, "osc1.pitch_env.decay_s": 0.002},
    "moving width": {**PULSE, "osc1.pwm.depth_ratio": 0.45, "osc1.pwm.rate_hz": 10.0},
    "moving width and pitch": {
        **PULSE,
        "osc1.pwm.depth_ratio": 0.3,
        "osc1.pwm.rate_hz": 7.0,
        "osc1.vibrato.depth_cents": 60.0,
    },
}


@pytest.mark.parametrize("midi_pitch", [45.3, 69.4, 107.6])
@pytest.mark.parametrize("movement", MOVEMENTS)
def test_a_moving_wave_has_nothing_but_its_partials(movement: str, midi_pitch: float) -> None:
    """Beside exact additive synthesis along the same phase, nothing is stronger than -70 dB.

    Compared up to 0.38 of the rate (16.8 kHz), where all that folds back from above half the
    rate is heard best; above 0.42 partials fade out in steps of a sixteenth of an octave, which
    the sum above does not do.
    """
    values = MOVEMENTS[movement]
    n_samples = 32_768
    sound, controls = play_with_controls(values, note=Note(midi_pitch), n_samples=n_samples)
    exact = exact_note(controls, values.get("osc1.pulse_level", 0.0), n_samples)
    window = np.kaiser(n_samples, 14.0)
    residue = np.abs(np.fft.rfft((sound - exact) * window))
    strongest = np.abs(np.fft.rfft(exact * window)).max()
    is_compared = np.fft.rfftfreq(n_samples) < 0.38
    level_db = 20.0 * np.log10(residue[is_compared].max() / strongest)
    assert level_db < -70.0


@pytest.mark.parametrize("midi_pitch", range(12, 109, 6))
def test_the_pitch_is_that_of_equal_temperament(midi_pitch: int) -> None:
    """Within 0.1 cent: A4 = 440 Hz (ISO 16), 12 equal semitones (MIDI 1.0)."""
    values = {"osc1.saw_level": 0.0, "osc1.triangle_level": 1.0}
    n_samples = 2 * SAMPLE_RATE_HZ
    sound = play(values, note=Note(float(midi_pitch), gate_s=10.0), n_samples=n_samples)
    expected_hz = 440.0 * 2.0 ** ((midi_pitch - 69) / 12)
    # The phase of the fundamental over half a second, at the start and at the end.
    n_part = SAMPLE_RATE_HZ // 2
    t = np.arange(n_samples) / SAMPLE_RATE_HZ
    turning = sound * np.exp(-2j * np.pi * expected_hz * t)
    window = np.hanning(n_part)
    parts = [np.sum(turning[i : i + n_part] * window) for i in (2000, n_samples - n_part)]
    seconds = (n_samples - n_part - 2000) / SAMPLE_RATE_HZ
    error_hz = np.angle(parts[1] / parts[0]) / (2.0 * np.pi * seconds)
    assert 1200.0 * np.log2(1.0 + error_hz / expected_hz) == pytest.approx(0.0, abs=0.1)


def test_vibrato_has_the_sidebands_of_bessel_functions() -> None:
    """J_n(beta) around each harmonic, n = -4 to 4 (Chowning 1973, scipy.special.jv)."""
    rate_hz, depth_cents, pitch_hz = 5.0, 30.0, 440.0
    values = {
        "osc1.saw_level": 0.0,
        "osc1.triangle_level": 1.0,
        "osc1.vibrato.rate_hz": rate_hz,
        "osc1.vibrato.depth_cents": depth_cents,
    }
    n_samples = 2 * SAMPLE_RATE_HZ  # 10 cycles of the vibrato
    sound = play(values, note=Note(69.0, gate_s=10.0), n_samples=n_samples + 1000)[1000:]
    swing = np.log(2.0) * depth_cents / 1200.0
    # The mean of exp(swing sin) is I0(swing): a vibrato in cents is a little sharp in Hz.
    carrier_hz = pitch_hz * i0(swing)
    beta = pitch_hz * swing / rate_hz
    t = np.arange(n_samples) / SAMPLE_RATE_HZ
    heard = [
        np.abs(np.mean(sound * np.exp(-2j * np.pi * (carrier_hz + n * rate_hz) * t))) * 2.0
        for n in range(-4, 5)
    ]
    expected = 8.0 / np.pi**2 * np.abs(jv(np.arange(-4, 5), beta))
    # 0.01: the swing bends the sine by swing / 2 = 0.9 %.
    np.testing.assert_allclose(heard, expected, atol=0.01)


def test_a_detuned_pair_beats_at_the_difference_of_its_pitches() -> None:
    """The level of the fundamental rises and falls f2 - f1 times a second.

    H. von Helmholtz, On the Sensations of Tone, 1885, chapter VIII.
    """
    values = {"osc2.saw_level": 1.0, "osc2.detune_cents": 12.0}
    n_samples = 8 * SAMPLE_RATE_HZ
    sound = play(values, note=Note(57.0, gate_s=20.0), n_samples=n_samples)
    difference_hz = 220.0 * (2.0 ** (12.0 / 1200.0) - 1.0)
    t = np.arange(n_samples) / SAMPLE_RATE_HZ
    turning = sound * np.exp(-2j * np.pi * 220.0 * t)
    # A mean over 4 cycles of 220 Hz leaves the fundamentals of both.
    n_mean = round(4 * SAMPLE_RATE_HZ / 220.0)
    level = np.abs(np.convolve(turning, np.full(n_mean, 1.0 / n_mean), mode="valid")) ** 2
    spectrum = np.abs(np.fft.rfft((level - level.mean()) * np.hanning(len(level)), 16 * N_FFT * 4))
    beats_hz = np.argmax(spectrum) * SAMPLE_RATE_HZ / (16 * N_FFT * 4)
    # 0.5 %: the bins of the padded transform are 0.01 Hz apart.
    assert beats_hz == pytest.approx(difference_hz, rel=5e-3)
