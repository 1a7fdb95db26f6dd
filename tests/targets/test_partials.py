"""Chance, effort and sines of which the demo targets are made."""

from __future__ import annotations

import zlib

import numpy as np
import pytest
from scipy import stats

from shared.notes import Note
from shared.units import ratio_to_cents
from targets.partials import (
    SAMPLE_RATE_HZ,
    Dice,
    Take,
    breath,
    drift,
    fading,
    ramp,
    swing,
    tone,
    wavering,
)

TAKE = Take("test", Note(69.0, velocity=100, gate_s=0.5), onset_s=0.1, duration_s=1.0)
TIMES_S = TAKE.times_s


def test_uniform_numbers_are_those_of_numpys_generator() -> None:
    """The 53-bit conversion is the usual one: numpy's own Generator.random on one stream."""
    generator = np.random.Generator(np.random.PCG64(zlib.crc32(b"horn/3")))
    np.testing.assert_array_equal(
        Dice("horn", 3).uniform(0.0, 1.0, 1_000), generator.random(1_000)
    )


def test_normal_numbers_are_normal() -> None:
    """A Kolmogorov-Smirnov test (scipy) can't tell them from a normal distribution."""
    # Fixed numbers: 0.01 would be missed by one in a hundred names, not by chance at each run.
    assert stats.kstest(Dice("normal").normal(20_000), "norm").pvalue > 0.01


def test_other_names_give_other_numbers() -> None:
    """Two players never move alike."""
    first, second = (TAKE.dice("player", player).normal(5_000) for player in (0, 1))
    # 4 / sqrt(5000): four deviations of the correlation of independent numbers.
    assert abs(np.corrcoef(first, second)[0, 1]) < 4.0 / np.sqrt(5_000)


def test_drift_is_smooth_centred_and_of_unit_size() -> None:
    """Little of a drift moves faster than twice its bandwidth."""
    times_s = np.arange(0.0, 60.0, 0.001)
    curve = drift(Dice("drift"), times_s, bandwidth_hz=5.0)
    assert curve.mean() == pytest.approx(0.0, abs=1e-12)
    # A spline through independent unit points has a deviation between 0.8 and 1.
    assert 0.75 < curve.std() < 1.1
    power = np.abs(np.fft.rfft(curve)) ** 2
    assert power[np.fft.rfftfreq(curve.size, 0.001) > 10.0].sum() < 0.02 * power.sum()


def test_upper_partials_waver_more() -> None:
    """The deviation in dB of the eleventh partial is that asked for, the first has 40 %."""
    gains = wavering(Dice("wavering"), np.arange(0.0, 60.0, 0.001), 11, shimmer_db=2.0)
    deviations_db = (20.0 * np.log10(gains)).std(axis=1)
    # 20 %: a minute at 5 Hz has some 600 independent values, splines shrink them by 10 %.
    assert deviations_db[0] == pytest.approx(0.8, rel=0.2)
    assert deviations_db[-1] == pytest.approx(2.0, rel=0.2)


def test_breath_is_silent_before_full_in_the_gate_and_exponential_after() -> None:
    """Effort: 0 at the onset, 1 from the end of the attack to the end of the gate."""
    times_s = np.array([-1.0, 0.0, 0.05, 0.1, 0.5, 2.0, 2.1])
    effort = breath(times_s, gate_s=0.5, attack_s=0.1, release_s=0.1)
    np.testing.assert_allclose(effort[:5], [0.0, 0.0, 0.5, 1.0, 1.0], atol=1e-12)
    # Late in the release one time constant is a factor of e, up to the rounded start.
    assert effort[5] / effort[6] == pytest.approx(np.e, rel=0.01)


def test_fading_falls_by_e_in_its_time_constant() -> None:
    """One time constant leaves 1 / e, and nothing fades before time 0."""
    np.testing.assert_allclose(fading(np.array([-1.0, 0.0, 0.3]), 0.3), [1.0, 1.0, 1.0 / np.e])


def test_ramp_is_straight_between_its_ends() -> None:
    """0 before, 1 after, one half in the middle."""
    weights = ramp(np.array([0.0, 1.0, 1.5, 2.0, 3.0]), 1.0, 2.0)
    np.testing.assert_allclose(weights, [0.0, 0.0, 0.5, 1.0, 1.0])


def test_swing_has_the_rate_asked_for() -> None:
    """A steady 5 Hz crosses zero ten times a second."""
    times_s = np.arange(0.0, 4.0, 0.001)
    wave = swing(times_s, np.full(times_s.size, 5.0), 0.1)
    assert np.count_nonzero(np.diff(np.sign(wave))) == 40


def test_tone_puts_each_partial_in_its_place_at_its_level() -> None:
    """The spectrum holds the asked partials at their levels and nothing else."""
    ratios = np.array([1.0, 2.0, 1_325.0 / 440.0])
    levels = np.array([0.5, 0.25, 0.125])[:, None] * np.ones(TIMES_S.size)
    signal = tone(
        TAKE,
        TAKE.dice("tone"),
        np.zeros(TIMES_S.size),
        levels,
        ratios=ratios,
        wander_cents=0.0,
        phases_cycles=(0.0, 1.0),
    )
    window = np.blackman(signal.size)
    spectrum = np.abs(np.fft.rfft(signal * window)) / (0.5 * window.sum())
    places = np.rint(ratios * 440.0).astype(int)  # 1 s: one bin is 1 Hz
    # Side lobes of the neighbours under a Blackman window: below -100 dB this far away.
    np.testing.assert_allclose(spectrum[places], levels[:, 0], rtol=1e-4)
    for place in places:
        spectrum[place - 4 : place + 5] = 0.0
    assert spectrum.max() < 1e-4


def test_tone_follows_its_pitch() -> None:
    """A tone 100 cents sharp is a semitone up."""
    signal = tone(
        TAKE,
        TAKE.dice("tone"),
        np.full(TIMES_S.size, 100.0),
        np.ones((1, TIMES_S.size)),
        ratios=np.ones(1),
        wander_cents=0.0,
        phases_cycles=(0.0, 1.0),
    )
    crossings = np.flatnonzero(np.diff(np.signbit(signal).astype(int)) == 1)
    measured_hz = (crossings.size - 1) / ((crossings[-1] - crossings[0]) / SAMPLE_RATE_HZ)
    # Crossings are counted to the sample: 2 samples in a second are 0.08 cents.
    assert ratio_to_cents(measured_hz / 440.0) == pytest.approx(100.0, abs=0.1)


def test_tone_has_nothing_to_fold_back() -> None:
    """Partials over 18 kHz are left out instead of folding at 22.05 kHz."""
    signal = tone(
        TAKE,
        TAKE.dice("tone"),
        np.zeros(TIMES_S.size),
        np.ones((1, TIMES_S.size)),
        ratios=np.array([50.0]),
        wander_cents=0.0,
        phases_cycles=(0.0, 1.0),
    )
    np.testing.assert_array_equal(signal, 0.0)


def test_harmonics_stop_at_the_highest_frequency_and_number() -> None:
    """A4 has five partials up to 2.2 kHz, and three when three are enough."""
    np.testing.assert_array_equal(TAKE.harmonics(2_200.0, 64), [1.0, 2.0, 3.0, 4.0, 5.0])
    np.testing.assert_array_equal(TAKE.harmonics(2_200.0, 3), [1.0, 2.0, 3.0])
