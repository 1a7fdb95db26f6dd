"""The filters against their analogue prototypes and scipy's designs.

The prototypes and the warping of the frequency axis are those of V. Zavalishin, "The Art of VA
Filter Design", 2012: trapezoidal integrators turn s into the bilinear transform, so that the
filter at f is the prototype at tan(pi f / rate) instead of pi f / rate, and right at the cutoff.
The prototype of the body resonance is the peaking equaliser of the "Audio EQ Cookbook", W3C
Working Group Note, 8 June 2021: (s**2 + s A / Q + 1) / (s**2 + s / (A Q) + 1), where A**2 is the
gain at the middle, and 1 / Q = 2 sinh(ln(2) / 2 * octaves) the width between the frequencies at
half of the dB.
"""

from __future__ import annotations

from itertools import pairwise, product
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, freqs, freqz, sosfreqz, welch

from shared import Note
from tests.voice_sounds import play
from voice.parts import body_resonance, drive, highpass, lowpass, oscillator, white_noise

if TYPE_CHECKING:
    from shared import FloatArray

RATE_HZ = 44_100
N_FFT = 65_536
# Resonance at which 2 (1 - r) is sqrt(2), the damping of a Butterworth filter.
BUTTERWORTH = 1.0 - np.sqrt(0.5)


def grid_hz(low_hz: float, high_hz: float, rate_hz: int = RATE_HZ) -> FloatArray:
    """Return about 150 frequencies, at equal ratios, that a transform of N_FFT points has."""
    places = np.geomspace(low_hz, high_hz, 150) * N_FFT / rate_hz
    return np.unique(np.rint(places)) * rate_hz / N_FFT


def levels_db(
    impulse_response: FloatArray, frequencies_hz: FloatArray, rate_hz: int
) -> FloatArray:
    """Return the level at frequencies of `grid_hz`."""
    n_fft = len(impulse_response)
    places = np.rint(frequencies_hz * n_fft / rate_hz).astype(np.int64)
    return 20.0 * np.log10(np.abs(np.fft.rfft(impulse_response)[places]))


def response_db(
    frequencies_hz: FloatArray,
    cutoff_hz: float,
    *,
    resonance_ratio: float = 0.0,
    slope_db_per_octave: float = 24.0,
    sample_rate_hz: int = RATE_HZ,
) -> FloatArray:
    """Return the low-pass's level at some frequencies, from its impulse response."""
    # Low resonances ring for seconds.
    impulse = np.zeros(N_FFT if cutoff_hz > 200.0 else 8 * N_FFT)
    impulse[0] = 1.0
    heard = lowpass(
        impulse,
        cutoff_hz,
        resonance_ratio=resonance_ratio,
        slope_db_per_octave=slope_db_per_octave,
        sample_rate_hz=sample_rate_hz,
    )
    return levels_db(heard, frequencies_hz, sample_rate_hz)


def prototype_db(
    cycles_of_cutoff: FloatArray, resonance_ratio: float, slope_db_per_octave: float
) -> FloatArray:
    """Return the level of the analogue prototype, its cutoff at 1."""
    if slope_db_per_octave == 12.0:
        numerator, denominator = [1.0], [1.0, 2.0 * (1.0 - resonance_ratio), 1.0]
    else:
        # Four stages 1 / (1 + s) in a loop of the gain k = 4 r: 1 / ((1 + s)**4 + k), made up
        # for its loss at s = 0 (Zavalishin, chapter 5).
        k = 4.0 * resonance_ratio
        numerator, denominator = [1.0 + k], [1.0, 4.0, 6.0, 4.0, 1.0 + k]
    _, response = freqs(numerator, denominator, worN=cycles_of_cutoff)
    return 20.0 * np.log10(np.abs(response))


def warped(frequencies_hz: FloatArray, cutoff_hz: float, rate_hz: int = RATE_HZ) -> FloatArray:
    """Return where the bilinear transform with the cutoff in its place puts frequencies."""
    return np.tan(np.pi * frequencies_hz / rate_hz) / np.tan(np.pi * cutoff_hz / rate_hz)


@pytest.mark.parametrize("slope", [12.0, 24.0], ids="{:g} dB".format)
@pytest.mark.parametrize("resonance", [0.0, 0.3, 0.7, 0.95])
@pytest.mark.parametrize("cutoff_hz", [60.0, 700.0, 4000.0, 15_000.0], ids="{:g} Hz".format)
@pytest.mark.parametrize("rate_hz", [22_050, 44_100, 96_000], ids="{} rate".format)
def test_the_low_pass_is_its_prototype_on_a_warped_axis(
    slope: float, resonance: float, cutoff_hz: float, rate_hz: int
) -> None:
    """Within 0.1 dB up to a quarter of the rate, down to -90 dB."""
    cutoff_hz = min(cutoff_hz, 0.45 * rate_hz)
    frequencies_hz = grid_hz(20.0, rate_hz / 4, rate_hz)
    heard_db = response_db(
        frequencies_hz,
        cutoff_hz,
        resonance_ratio=resonance,
        slope_db_per_octave=slope,
        sample_rate_hz=rate_hz,
    )
    expected_db = prototype_db(warped(frequencies_hz, cutoff_hz, rate_hz), resonance, slope)
    is_compared = expected_db > -90.0  # float32 has 24 bits
    np.testing.assert_allclose(heard_db[is_compared], expected_db[is_compared], atol=0.1)


def test_what_the_warped_axis_costs() -> None:
    """A 1 kHz low-pass is darker at the top than the analogue one: by 2 dB per pole at 11 kHz.

    Each pole of a filter without resonance is 10 lg(1 + x**2) down, x = f / cutoff in the
    prototype and tan(pi f / rate) / tan(pi cutoff / rate) here: 0.05 dB more at 2.2 kHz, 0.43 at
    5.5 kHz and 2.07 at 11 kHz. That is the price of a cutoff in its right place without a higher
    rate.
    """
    cutoff_hz = 1000.0
    frequencies_hz = np.array([RATE_HZ / 20, RATE_HZ / 8, RATE_HZ / 4])
    for slope, n_poles in ((12.0, 2), (24.0, 4)):
        heard_db = response_db(frequencies_hz, cutoff_hz, slope_db_per_octave=slope)
        analogue_db = prototype_db(frequencies_hz / cutoff_hz, 0.0, slope)
        # 0.03 dB: the figures are rounded to 0.01 dB per pole.
        np.testing.assert_allclose(
            heard_db - analogue_db, n_poles * np.array([-0.05, -0.43, -2.07]), atol=0.03
        )


@pytest.mark.parametrize("cutoff_hz", [50.0, 1000.0, 8000.0], ids="{:g} Hz".format)
def test_the_12_db_filter_can_be_a_butterworth_filter(cutoff_hz: float) -> None:
    """scipy.signal.butter(2), which uses the bilinear transform too."""
    frequencies_hz = grid_hz(20.0, 20_000.0)
    sections = butter(2, cutoff_hz, fs=RATE_HZ, output="sos")
    _, response = sosfreqz(sections, worN=frequencies_hz, fs=RATE_HZ)
    expected_db = 20.0 * np.log10(np.abs(response))
    heard_db = response_db(
        frequencies_hz, cutoff_hz, resonance_ratio=BUTTERWORTH, slope_db_per_octave=12.0
    )
    is_compared = expected_db > -90.0
    # 0.01 dB: float32.
    np.testing.assert_allclose(heard_db[is_compared], expected_db[is_compared], atol=0.01)


@pytest.mark.parametrize("cutoff_hz", [50.0, 1000.0, 8000.0], ids="{:g} Hz".format)
def test_the_24_db_filter_without_resonance_is_four_equal_stages(cutoff_hz: float) -> None:
    """scipy.signal.butter(1), four times."""
    frequencies_hz = grid_hz(20.0, 20_000.0)
    b, a = butter(1, cutoff_hz, fs=RATE_HZ)
    _, response = freqz(b, a, worN=frequencies_hz, fs=RATE_HZ)
    expected_db = 4.0 * 20.0 * np.log10(np.abs(response))
    heard_db = response_db(frequencies_hz, cutoff_hz)
    is_compared = expected_db > -90.0
    # 0.01 dB: float32.
    np.testing.assert_allclose(heard_db[is_compared], expected_db[is_compared], atol=0.01)


@pytest.mark.parametrize("slope", [12.0, 24.0], ids="{:g} dB".format)
def test_the_slope_is_as_steep_as_it_says(slope: float) -> None:
    """12 and 24 dB for the octave from 8 to 16 times the cutoff."""
    frequencies_hz = np.array([546, 1092]) * 96_000 / N_FFT  # 800 and 1600 Hz
    heard_db = response_db(frequencies_hz, 100.0, slope_db_per_octave=slope, sample_rate_hz=96_000)
    # 1 %: each pole is 0.05 of 6 dB short of its slope there.
    assert heard_db[0] - heard_db[1] == pytest.approx(slope, rel=0.01)


@pytest.mark.parametrize("resonance", [0.0, 0.5, 0.95])
@pytest.mark.parametrize("slope", [12.0, 24.0], ids="{:g} dB".format)
def test_resonance_leaves_low_partials_alone(resonance: float, slope: float) -> None:
    """The level at 0 Hz is 0 dB at every resonance."""
    heard_db = response_db(
        np.array([0.0]), 2000.0, resonance_ratio=resonance, slope_db_per_octave=slope
    )
    assert heard_db[0] == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("corner_hz", [60.0, 500.0, 2000.0], ids="{:g} Hz".format)
def test_the_high_pass_is_a_butterworth_filter_of_first_order(corner_hz: float) -> None:
    """scipy.signal.butter(1, high): -3 dB at the corner, 6 dB/octave below."""
    impulse = np.zeros(N_FFT)
    impulse[0] = 1.0
    heard = highpass(impulse, corner_hz, sample_rate_hz=RATE_HZ)
    frequencies_hz = grid_hz(10.0, 20_000.0)
    b, a = butter(1, corner_hz, "high", fs=RATE_HZ)
    _, expected = freqz(b, a, worN=frequencies_hz, fs=RATE_HZ)
    # 0.01 dB: float32.
    expected_db = 20.0 * np.log10(np.abs(expected))
    heard_db = levels_db(heard, frequencies_hz, RATE_HZ)
    np.testing.assert_allclose(heard_db, expected_db, atol=0.01)
    at_corner_db = np.interp(corner_hz, frequencies_hz, heard_db)
    assert at_corner_db == pytest.approx(-3.01, abs=0.02)


def test_the_high_pass_falls_by_6_db_per_octave() -> None:
    """From a sixteenth to a thirty-second of the corner."""
    impulse = np.zeros(N_FFT)
    impulse[0] = 1.0
    heard = highpass(impulse, 2000.0, sample_rate_hz=RATE_HZ)
    frequencies_hz = np.array([93, 186]) * RATE_HZ / N_FFT  # 62.6 and 125.2 Hz
    heard_db = levels_db(heard, frequencies_hz, RATE_HZ)
    # 0.02 dB: the prototype is 0.01 dB short of 6.02 dB there.
    assert heard_db[1] - heard_db[0] == pytest.approx(6.02, abs=0.02)


def bell_prototype_db(
    cycles_of_middle: FloatArray, gain_db: float, bandwidth_octaves: float
) -> FloatArray:
    """Return the level of the cookbook's analogue peaking equaliser, its middle at 1."""
    a = 10.0 ** (gain_db / 40.0)
    q = 1.0 / (2.0 * np.sinh(np.log(2.0) / 2.0 * bandwidth_octaves))
    _, response = freqs([1.0, a / q, 1.0], [1.0, 1.0 / (a * q), 1.0], worN=cycles_of_middle)
    return 20.0 * np.log10(np.abs(response))


def bell_response(
    frequency_hz: float,
    gain_db: float,
    bandwidth_octaves: float,
    *,
    rate_hz: int = RATE_HZ,
    n_samples: int = N_FFT,
) -> FloatArray:
    """Return the impulse response of the body resonance."""
    impulse = np.zeros(n_samples)
    impulse[0] = 1.0
    return body_resonance(
        impulse,
        frequency_hz,
        gain_db=gain_db,
        bandwidth_octaves=bandwidth_octaves,
        sample_rate_hz=rate_hz,
    )


@pytest.mark.parametrize("bandwidth_octaves", [0.3, 1.5, 4.0], ids="{:g} octaves".format)
@pytest.mark.parametrize("gain_db", [-18.0, -3.0, 6.0, 24.0], ids="{:g} dB".format)
@pytest.mark.parametrize("frequency_hz", [80.0, 900.0, 8000.0], ids="{:g} Hz".format)
@pytest.mark.parametrize("rate_hz", [22_050, 44_100, 96_000], ids="{} rate".format)
def test_the_body_is_the_cookbooks_bell_on_a_warped_axis(
    bandwidth_octaves: float, gain_db: float, frequency_hz: float, rate_hz: int
) -> None:
    """Within 0.1 dB up to a quarter of the rate."""
    frequencies_hz = grid_hz(20.0, rate_hz / 4, rate_hz)
    heard = bell_response(frequency_hz, gain_db, bandwidth_octaves, rate_hz=rate_hz)
    heard_db = levels_db(heard, frequencies_hz, rate_hz)
    places = warped(frequencies_hz, frequency_hz, rate_hz)
    expected_db = bell_prototype_db(places, gain_db, bandwidth_octaves)
    np.testing.assert_allclose(heard_db, expected_db, atol=0.1)


@pytest.mark.parametrize("bandwidth_octaves", [0.3, 1.0, 4.0], ids="{:g} octaves".format)
@pytest.mark.parametrize("gain_db", [-12.0, 18.0], ids="{:g} dB".format)
def test_half_of_the_gain_is_left_at_the_edges_of_the_body(
    bandwidth_octaves: float, gain_db: float
) -> None:
    """The cookbook's bandwidth for peakingEQ lies between the frequencies at half of the dB."""
    frequency_hz = 300.0
    octaves = np.array([-0.5, 0.0, 0.5]) * bandwidth_octaves
    heard = bell_response(frequency_hz, gain_db, bandwidth_octaves)
    _, response = freqz(heard, worN=frequency_hz * 2.0**octaves, fs=RATE_HZ)
    # 0.03 dB: at 1.2 kHz the axis is warped by 0.2 %.
    heard_db = 20.0 * np.log10(np.abs(response))
    np.testing.assert_allclose(heard_db, gain_db * np.array([0.5, 1.0, 0.5]), atol=0.03)


@pytest.mark.parametrize("gain_db", [3.0, 18.0], ids="{:g} dB".format)
def test_a_body_lowered_as_far_as_it_was_raised_is_none(gain_db: float) -> None:
    """A and 1 / A exchange numerator and denominator of the prototype."""
    noise = white_noise(4000).astype(np.float64)
    options = {"bandwidth_octaves": 0.7, "sample_rate_hz": RATE_HZ}
    raised = body_resonance(noise, 600.0, gain_db=gain_db, **options)
    assert np.abs(raised - noise).max() > 0.1
    again = body_resonance(raised, 600.0, gain_db=-gain_db, **options)
    # 1e-4: float32.
    np.testing.assert_allclose(again, noise, atol=1e-4)


@pytest.mark.parametrize("rate_hz", [8_000, 22_050, 44_100, 192_000], ids="{} rate".format)
def test_the_body_dies_away_at_every_corner(rate_hz: int) -> None:
    """Poles at a damping of sinh(ln(2) / 2 * octaves) / A: the longest rings for 76 ms at 80 Hz.

    The middle of a bell stays below half the rate, where the bilinear transform ends.
    """
    for frequency_hz, gain_db, octaves in product((80.0, 8000.0), (-18.0, 24.0), (0.3, 4.0)):
        heard = bell_response(frequency_hz, gain_db, octaves, rate_hz=rate_hz, n_samples=rate_hz)
        assert np.isfinite(heard).all()
        assert np.abs(heard).max() < 10.0 ** (24.0 / 20.0)
        # exp(-0.9 s / 76 ms) is -103 dB.
        assert np.abs(heard[-rate_hz // 10 :]).max() < 1e-5


@settings(max_examples=20)
@given(
    seed=st.integers(0, 2**32 - 1),
    resonance=st.sampled_from([0.0, 0.5, 1.0]),
    slope=st.sampled_from([12.0, 24.0]),
    hold=st.sampled_from([1, 2, 7, 50]),
)
def test_cutoff_jumps_bring_no_energy(
    seed: int, resonance: float, slope: float, hold: int
) -> None:
    """At the edge of self-oscillation too, the filter rings down while its cutoff jumps about.

    Trapezoidal integrators keep the energy of the circuit that they stand for (Zavalishin,
    chapter 3.12, time-varying stability).
    """
    rng = np.random.default_rng(seed)
    n_samples = 4000
    cutoff_hz = np.repeat(20.0 * 10.0 ** rng.uniform(0.0, 2.9, n_samples // hold + 1), hold)
    sound = white_noise(n_samples, seed=seed).astype(np.float64)
    sound[n_samples // 4 :] = 0.0
    heard = np.abs(
        lowpass(
            sound,
            cutoff_hz[:n_samples],
            resonance_ratio=resonance,
            slope_db_per_octave=slope,
            sample_rate_hz=RATE_HZ,
        )
    )
    assert np.isfinite(heard).all()
    # 500: the gain of the least damping, 1 / 0.002, at the resonance.
    assert heard.max() < 500.0
    assert heard[-n_samples // 4 :].max() <= 1.05 * heard[n_samples // 4 : n_samples // 2].max()


@pytest.mark.parametrize("slope", [12.0, 24.0], ids="{:g} dB".format)
def test_the_edge_of_self_oscillation_rings_for_long_and_dies(slope: float) -> None:
    """Full resonance rings at the cutoff with a damping of 0.002, and never takes off."""
    impulse = np.zeros(3 * RATE_HZ)
    impulse[0] = 1.0
    ringing = lowpass(
        impulse, 500.0, resonance_ratio=1.0, slope_db_per_octave=slope, sample_rate_hz=RATE_HZ
    )
    peaks = [np.abs(part).max() for part in ringing.reshape(30, -1)]
    assert all(later < earlier for earlier, later in pairwise(peaks))
    spectrum = np.abs(np.fft.rfft(ringing * np.hanning(len(ringing))))
    # 1 Hz: bins of a third of a Hz.
    assert np.argmax(spectrum) / 3.0 == pytest.approx(500.0, abs=1.0)
    # exp(-pi damping f t): a damping of 0.002 is a Q of 500.
    fall = np.log(peaks[5] / peaks[15])
    assert fall == pytest.approx(np.pi * 0.002 * 500.0 * 1.0, rel=0.05)


def test_saturation_is_near_tanh() -> None:
    """Within 0.024 of tanh, the saturation of a transistor pair (Zavalishin, chapter 6)."""
    gain = 10.0 ** (20.0 / 20.0)
    levels = np.linspace(-1.0, 1.0, 401)
    curve = drive(levels, 20.0) * (gain - 1.0) / gain
    difference = np.abs(curve - np.tanh((gain - 1.0) * levels))
    assert 0.02 < difference.max() < 0.024


@pytest.mark.parametrize(
    ("pitch_hz", "drive_db", "folded_db"),
    [(110.3, 18.0, -52.0), (440.7, 6.0, -46.0), (440.7, 36.0, -39.0), (1763.1, 36.0, -23.0)],
)
def test_what_drive_folds_back(pitch_hz: float, drive_db: float, folded_db: float) -> None:
    """The drive is not oversampled: the strongest line beside the harmonics of a sawtooth.

    A limit of this voice, common in plain digital saturation; the low-pass that follows takes
    most of it away where a driven sound is dark.
    """
    sound = drive(oscillator(pitch_hz, n_samples=N_FFT), drive_db)
    levels = np.abs(np.fft.rfft(sound * np.kaiser(N_FFT, 22.0)))
    frequencies_hz = np.fft.rfftfreq(N_FFT, 1.0 / RATE_HZ)
    nearest = np.maximum(np.rint(frequencies_hz / pitch_hz), 1.0)
    is_beside = np.abs(frequencies_hz - nearest * pitch_hz) > 16.0 * RATE_HZ / N_FFT
    # 2 dB: where the lines fall between the bins.
    heard_db = 20.0 * np.log10(levels[is_beside].max() / levels.max())
    assert heard_db == pytest.approx(folded_db, abs=2.0)


def test_noise_past_a_closed_low_pass_is_white() -> None:
    """A flat spectrum from 100 Hz to 20 kHz: that of white noise, by definition."""
    values = {
        "osc1.saw_level": 0.0,
        "noise.level": 1.0,
        "noise.decay_s": 10.0,
        "noise.bypass_ratio": 1.0,
        "filter.cutoff_hz": 20.0,
    }
    heard = play(values, note=Note(60.0, gate_s=30.0), n_samples=16 * RATE_HZ)
    frequencies_hz, density = welch(heard, fs=RATE_HZ, nperseg=4096)
    edges_hz = 100.0 * 200.0 ** np.linspace(0.0, 1.0, 9)
    bands = np.digitize(frequencies_hz, edges_hz)
    levels_db = [10.0 * np.log10(density[bands == band].mean()) for band in range(1, 9)]
    # 0.5 dB: 16 fading seconds of a band of 94 Hz have about 2,000 degrees of freedom, 0.14 dB.
    np.testing.assert_allclose(levels_db, np.mean(levels_db), atol=0.5)


def test_a_sweeping_filter_is_heard_where_its_envelope_says() -> None:
    """With a resonance, the strongest band of a noise is the cutoff: envelope, key, velocity."""
    values = {
        "osc1.saw_level": 0.0,
        "noise.level": 1.0,
        "noise.decay_s": 10.0,
        "filter.cutoff_hz": 400.0,
        "filter.resonance_ratio": 0.97,
        "filter.key_track_ratio": 0.5,
        "filter_env.depth_octaves": 1.0,
        "filter_env.attack_s": 0.01,
        "filter_env.decay_s": 0.01,
        "filter_env.sustain_ratio": 0.5,
        "filter_env.velocity_octaves": 2.0,
    }
    n_samples = 4 * RATE_HZ
    for midi_pitch, velocity in ((60.0, 100), (84.0, 100), (60.0, 1)):
        heard = play(
            values, note=Note(midi_pitch, velocity=velocity, gate_s=9.0), n_samples=n_samples
        )[RATE_HZ // 2 :]
        power = np.abs(np.fft.rfft(heard)) ** 2
        frequencies_hz = np.fft.rfftfreq(len(heard), 1.0 / RATE_HZ)
        band_hz = np.average(frequencies_hz, weights=power**2)
        octaves = 0.5 * (midi_pitch - 60.0) / 12.0
        octaves += 0.5 * (1.0 + 2.0 * (velocity - 100) / 99)
        # 3 %: a band of noise has no exact middle.
        assert band_hz == pytest.approx(400.0 * 2.0**octaves, rel=0.03)
