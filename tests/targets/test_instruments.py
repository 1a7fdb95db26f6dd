"""Bodies, the pit, and the level rules of the demo instruments."""

from __future__ import annotations

import numpy as np
import pytest

from shared.notes import Note
from shared.units import amplitude_to_db
from targets.bodies import band, coloured_noise, formants, in_the_pit, pit_response, ripple
from targets.partials import SAMPLE_RATE_HZ, Dice, Take
from targets.strings import vibrato_of
from targets.winds import brass_levels, reed_levels

TAKE = Take("test", Note(60.0, velocity=100, gate_s=0.5), onset_s=0.1, duration_s=1.5)


def test_formant_lifts_its_centre_and_leaves_the_distance_alone() -> None:
    """A peak of 6 dB is 6 dB at its centre, 6 dB / sqrt(e) one width away, nothing far off."""
    gain_db = amplitude_to_db(
        formants(np.array([1_000.0, 2_000.0, 64_000.0]), [(1_000.0, 1.0, 6.0)])
    )
    np.testing.assert_allclose(gain_db, [6.0, 6.0 / np.sqrt(np.e), 0.0], atol=1e-6)


def test_ripple_belongs_to_the_body_not_to_the_note() -> None:
    """One body has the same modes each time, another body has others."""
    assert ripple("fiddle", 0, depth_db=3.0) == ripple("fiddle", 0, depth_db=3.0)
    assert ripple("fiddle", 0, depth_db=3.0) != ripple("fiddle", 1, depth_db=3.0)


def test_band_falls_by_its_order_on_either_side() -> None:
    """Order 2 gives 12 dB for each octave, far from the edges."""
    gain_db = amplitude_to_db(
        band(np.array([1.0, 2.0, 2e5, 4e5]), low_hz=200.0, high_hz=2_000.0, order=2.0)
    )
    # 0.02 dB: what an edge 100 times away still adds.
    assert gain_db[1] - gain_db[0] == pytest.approx(12.04, abs=0.02)
    assert gain_db[2] - gain_db[3] == pytest.approx(12.04, abs=0.02)


def test_noise_has_unit_rms_and_the_colour_asked_for() -> None:
    """The power in two bands follows the square of the colour."""
    noise = coloured_noise(Dice("noise"), SAMPLE_RATE_HZ, lambda hz: np.where(hz < 5e3, 1.0, 0.1))
    assert noise.std() == pytest.approx(1.0)
    power = np.abs(np.fft.rfft(noise)) ** 2
    # 9 %: four deviations of the ratio of two means over 4,000 exponential values are 9 %.
    assert power[1_000:5_000].mean() / power[6_000:10_000].mean() == pytest.approx(100.0, rel=0.09)


def test_pit_decays_by_60_db_in_less_than_half_a_second() -> None:
    """Backward integration (Schroeder 1965; ISO 3382-2) gives a small, dead room."""
    tail = pit_response()[1:]
    energy_db = 10.0 * np.log10(np.cumsum(tail[::-1] ** 2)[::-1] / np.sum(tail**2))
    # T20: from -5 to -25 dB, times three.
    start, end = (int(np.argmax(energy_db < level)) for level in (-5.0, -25.0))
    assert 0.2 < 3.0 * (end - start) / SAMPLE_RATE_HZ < 0.45


def test_pit_leaves_the_direct_sound_in_front() -> None:
    """Reflections and tail together stay at least 10 dB under the direct sound."""
    response = pit_response()
    assert response[0] == 1.0
    assert 10.0 * np.log10(np.sum(response[1:] ** 2)) < -10.0


def test_take_in_the_pit_has_its_peak_and_its_floor() -> None:
    """Peak and floor are those asked for."""
    dry = np.zeros(TAKE.n_samples)
    dry[SAMPLE_RATE_HZ // 10] = 0.3
    signal = in_the_pit(TAKE, dry, peak_dbfs=-6.0, floor_dbfs=-70.0)
    # 0.02 dB: the floor adds up to four times its RMS to the peak, 0.0013 in 0.5.
    assert amplitude_to_db(float(np.abs(signal).max())) == pytest.approx(-6.0, abs=0.025)
    # After the room has died away; 0.5 dB: some 700 independent values in 0.8 s.
    floor_db = 10.0 * np.log10(np.mean(signal[-SAMPLE_RATE_HZ * 8 // 10 :] ** 2))
    assert floor_db == pytest.approx(-70.0, abs=0.5)


def test_each_step_of_effort_makes_brass_brighter() -> None:
    """Upper partials gain more than lower ones at each effort (Risset & Mathews 1969)."""
    places_hz = 233.0 * np.arange(1.0, 20.0)[:, None]
    levels_db = amplitude_to_db(brass_levels(places_hz, np.linspace(0.2, 1.1, 10)[None, :]))
    gain_db = np.diff(levels_db, axis=1)
    assert np.all(gain_db > 0.0)
    assert np.all(np.diff(gain_db[:8], axis=0) > 0.0)


def test_reed_partials_become_alike_over_the_tone_hole_cutoff() -> None:
    """Even partials are 20 dB down at the bottom, less than 8 above 1.5 kHz (Benade 1976)."""
    places_hz = 165.0 * np.arange(1.0, 21.0)[:, None]
    levels_db = amplitude_to_db(reed_levels(places_hz, np.ones((20, 1))))[:, 0]
    assert levels_db[1] < 0.5 * (levels_db[0] + levels_db[2]) - 20.0
    assert levels_db[17] > 0.5 * (levels_db[16] + levels_db[18]) - 8.0


def test_vibrato_of_the_section_is_a_players_vibrato() -> None:
    """Over the keyboard 4 to 7 Hz and 5 to 35 cents (Seashore 1938, from memory)."""
    for midi_pitch in (48.0, 60.0, 72.0):
        rate_hz, depth_cents = vibrato_of(midi_pitch)
        assert 4.0 < rate_hz < 7.0
        assert 5.0 < depth_cents < 35.0
