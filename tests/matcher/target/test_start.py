"""First values for the search: within their ranges, and near the truth where it is known."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.signal import bilinear, lfilter

from matcher.target import first_values, target_from_signal
from matcher.target.start import cutoff_track, odd_over_even_db
from shared import CATALOGUE
from tests.known_notes import known_note, known_note_names
from tests.matcher.target.tones import (
    RATE_HZ,
    adsr,
    harmonic_tone,
    harmonics_of_pulse,
    harmonics_of_saw,
    key_hz,
    played_saw,
)
from tests.recordings import real_note

if TYPE_CHECKING:
    from shared.types import FloatArray


def swept_saw(key: float, cutoffs_hz: FloatArray, gate_s: float) -> FloatArray:
    """Return a sawtooth whose harmonics follow a four-pole slope at a moving cutoff."""
    hz = key_hz(key)
    times = np.arange(cutoffs_hz.size) / RATE_HZ
    tone = np.zeros(times.size)
    for h, size in harmonics_of_saw(hz).items():
        gain = (1.0 + (h * hz / cutoffs_hz) ** 2) ** -2.0
        tone += size * gain * np.sin(2.0 * np.pi * h * hz * times + 0.7 * h * h)
    return 0.2 * tone * adsr(tone.size, gate_s=gate_s, release_s=0.1)


@pytest.mark.parametrize("name", known_note_names()[::8])
def test_all_values_are_parameters_within_their_ranges(name: str) -> None:
    """Whatever is measured can be searched from."""
    known = known_note(name)
    values = first_values(target_from_signal(known.signal, known.sample_rate_hz))
    assert values
    for parameter, value in values.items():
        assert CATALOGUE[parameter].low <= value <= CATALOGUE[parameter].high


@pytest.mark.parametrize("name", ["brass"])
def test_brass_of_another_synthesizer_is_read_off(name: str) -> None:
    """Notes of an independent audio language: envelope times, sweep and detune come near.

    The sweep's lower end can't be heard while the note is held, so base and depth trade: the
    highest cutoff counts.
    """
    known = known_note(name)
    note = target_from_signal(known.signal, known.sample_rate_hz)
    values, truth = first_values(note), known.values
    assert note.note.gate_s == pytest.approx(known.note.gate_s, abs=0.02)
    assert values["amp_env.attack_s"] == pytest.approx(truth["amp_env.attack_s"], abs=0.01)
    assert values["filter_env.attack_s"] == pytest.approx(truth["filter_env.attack_s"], abs=0.03)
    assert values["filter_env.decay_s"] == pytest.approx(truth["filter_env.decay_s"], rel=0.3)
    assert values["osc2.detune_cents"] == pytest.approx(abs(truth["osc2.detune_cents"]), rel=0.15)
    highest, expected = (
        np.log2(each["filter.cutoff_hz"]) + each["filter_env.depth_octaves"]
        for each in (values, truth)
    )
    assert highest == pytest.approx(expected, abs=0.5)


def test_a_filter_sweep_is_read_off() -> None:
    """Cutoff, depth, decay and sustain of a known sweep over three octaves."""
    times = np.arange(round(1.6 * RATE_HZ)) / RATE_HZ
    gate_s, octaves = 1.2, 3.0
    held = 0.3 + 0.7 * np.exp(-times / 0.2)
    shape = np.where(times < gate_s, held, 0.3 * np.exp(-(times - gate_s) / 0.05))
    values = first_values(
        target_from_signal(swept_saw(41.0, 400.0 * 2.0 ** (octaves * shape), gate_s), RATE_HZ)
    )
    assert np.log2(values["filter.cutoff_hz"] / 400.0) == pytest.approx(0.0, abs=0.4)
    assert values["filter_env.depth_octaves"] == pytest.approx(octaves, abs=0.5)
    assert values["filter_env.decay_s"] == pytest.approx(0.2, rel=0.3)
    assert values["filter_env.sustain_ratio"] == pytest.approx(0.3, abs=0.1)
    assert values["filter_env.release_s"] == pytest.approx(0.05, abs=0.04)


def test_a_steady_filter_has_no_envelope() -> None:
    """A cutoff that doesn't move is a cutoff, not a sweep."""
    tone = swept_saw(45.0, np.full(RATE_HZ, 900.0), 0.7)
    values = first_values(target_from_signal(tone, RATE_HZ))
    assert values["filter_env.depth_octaves"] == 0.0
    assert values["filter.cutoff_hz"] == pytest.approx(900.0, rel=0.15)


def test_the_amplifier_takes_the_measured_envelope() -> None:
    """Attack, decay, sustain and release are those of the analysis."""
    note = target_from_signal(
        played_saw(60.0, attack_s=0.03, decay_s=0.1, sustain=0.5, release_s=0.08), RATE_HZ
    )
    values = first_values(note)
    assert values["amp_env.attack_s"] == note.analysis.attack_s
    assert values["amp_env.decay_s"] == note.analysis.decay_s
    assert values["amp_env.sustain_ratio"] == note.analysis.sustain_ratio
    assert values["amp_env.release_s"] == note.analysis.release_s


def test_an_unknown_release_is_as_long_as_the_decay() -> None:
    """A note that is cut gives no release of its own."""
    signal = played_saw(60.0, gate_s=2.0, decay_s=0.1, sustain=0.5)[: round(0.8 * RATE_HZ)]
    note = target_from_signal(signal, RATE_HZ, gate_s=0.8)
    values = first_values(note)
    assert note.analysis.release_s is None
    assert values["amp_env.release_s"] == values["amp_env.decay_s"]


@pytest.mark.parametrize(
    ("played", "given", "tune", "octave"),
    [(60.3, 60.0, 30.0, 0), (72.0, 60.0, 0.0, 1), (35.8, 60.0, -20.0, -2), (65.0, 60.0, 0.0, 0)],
)
def test_the_voice_is_tuned_to_the_sound(
    played: float, given: float, tune: float, octave: int
) -> None:
    """Octaves go to the oscillators, cents to the fine tune; another key isn't tuned away."""
    note = target_from_signal(played_saw(played, gate_s=0.3), RATE_HZ)
    note = replace(note, note=replace(note.note, midi_pitch=given))
    values = first_values(note)
    assert values["tune_cents"] == pytest.approx(tune, abs=0.5)
    assert values.get("osc1.octave", 0.0) == octave
    assert values.get("osc2.octave", 0.0) == octave


def test_a_hollow_sound_starts_from_a_square_wave() -> None:
    """A square wave and the low clarinet have next to no even harmonics."""
    tone = harmonic_tone(220.0, harmonics_of_pulse(220.0, 0.5)) * adsr(RATE_HZ, gate_s=0.8)
    square = first_values(target_from_signal(0.2 * tone, RATE_HZ))
    assert square["osc1.pulse_level"] == 1.0
    assert square["osc1.saw_level"] == 0.0
    assert "osc1.pulse_level" not in first_values(target_from_signal(played_saw(57.0), RATE_HZ))


def test_vibrato_goes_to_both_oscillators() -> None:
    """Rate, depth and delay of the analysis, the same for both."""
    hz = key_hz(60.0)
    tone = harmonic_tone(hz, harmonics_of_saw(hz), duration_s=2.0, vibrato=(6.0, 30.0, 0.0))
    note = target_from_signal(0.2 * tone * adsr(tone.size, gate_s=1.7), RATE_HZ)
    values = first_values(note)
    for oscillator in ("osc1", "osc2"):
        assert values[f"{oscillator}.vibrato.rate_hz"] == pytest.approx(6.0, rel=0.02)
        assert values[f"{oscillator}.vibrato.depth_cents"] == pytest.approx(30.0, rel=0.1)
    steady = first_values(target_from_signal(played_saw(60.0), RATE_HZ))
    assert not any("vibrato" in name for name in steady)


def test_breath_in_the_attack_is_told_from_breath_that_stays(rng: np.random.Generator) -> None:
    """Noise that fades within 50 ms, noise that stays, and none."""
    tone = played_saw(60.0, attack_s=0.02)
    times = np.arange(tone.size) / RATE_HZ
    noise = 0.15 * rng.normal(size=tone.size)
    fading = first_values(target_from_signal(tone + noise * np.exp(-times / 0.05), RATE_HZ))
    staying = first_values(target_from_signal(tone + noise * adsr(tone.size, gate_s=0.8), RATE_HZ))
    clean = first_values(target_from_signal(tone, RATE_HZ))
    assert fading["noise.level"] > 0.1
    assert fading["noise.decay_s"] < 0.2
    assert staying["noise.level"] > 0.1
    assert staying["noise.decay_s"] > 1.0
    assert clean["noise.level"] == 0.0


@pytest.mark.parametrize("instrument", ["string ensemble"])
def test_recorded_notes_give_a_start(instrument: str) -> None:
    """Every recorded note has an envelope and a filter to start from."""
    values = first_values(target_from_signal(real_note(instrument, 60.0).signal, RATE_HZ))
    assert {"amp_env.attack_s", "filter.cutoff_hz", "tune_cents"} <= set(values)


def test_a_sound_without_a_pitch_still_has_an_envelope(rng: np.random.Generator) -> None:
    """Noise with a given pitch starts from its envelope alone."""
    signal = 0.1 * rng.normal(size=RATE_HZ) * adsr(RATE_HZ, gate_s=0.7, release_s=0.02)
    values = first_values(target_from_signal(signal, RATE_HZ, midi_pitch=60.0))
    assert "amp_env.attack_s" in values
    assert "tune_cents" not in values


def four_poles(signal: np.ndarray, cutoff_hz: float) -> np.ndarray:
    """Filter with four RC stages of one cutoff: -12 dB there, 24 dB per octave above."""
    # Warped so that the digital filter is exact at the cutoff.
    w = 2.0 * RATE_HZ * np.tan(np.pi * cutoff_hz / RATE_HZ)
    b, a = bilinear([1.0], [1.0 / w, 1.0], fs=RATE_HZ)
    for _ in range(4):
        signal = lfilter(b, a, signal)
    return np.asarray(signal)


def odd_even_db(tone: FloatArray, pitch_hz: float) -> float:
    """Compare the odd and even harmonics of a second of sound."""
    return odd_over_even_db(
        tone, sample_rate_hz=RATE_HZ, pitch_hz=pitch_hz, start_s=0.2, end_s=0.8
    )


@pytest.mark.parametrize(
    ("key", "cutoff_hz"), [(36.0, 400.0), (48.0, 5000.0), (60.0, 1500.0), (72.0, 5000.0)]
)
def test_the_cutoff_behind_a_sawtooth_is_found(key: float, cutoff_hz: float) -> None:
    """Within a fifth of an octave where several harmonics lie above the cutoff."""
    hz = key_hz(key)
    tone = four_poles(harmonic_tone(hz, harmonics_of_saw(hz)), cutoff_hz)
    track = cutoff_track(tone, sample_rate_hz=RATE_HZ, pitch_hz=hz)
    found = float(np.median(track.cutoff_hz[10:-10]))
    assert abs(np.log2(found / cutoff_hz)) < 0.2


def test_an_open_filter_is_found_open() -> None:
    """A plain sawtooth needs no filter; its harmonics, counted against 1/h, are all alike."""
    hz = key_hz(48.0)
    tone = harmonic_tone(hz, harmonics_of_saw(hz))
    track = cutoff_track(tone, sample_rate_hz=RATE_HZ, pitch_hz=hz)
    assert float(np.median(track.cutoff_hz)) > 14_000.0
    assert odd_even_db(tone, hz) == pytest.approx(0.0, abs=0.5)


@pytest.mark.parametrize("gain", [1e-3, 30.0])
def test_the_cutoff_does_not_depend_on_the_level(gain: float) -> None:
    """Louder in, same cutoff."""
    tone = four_poles(harmonic_tone(110.0, harmonics_of_saw(110.0), duration_s=0.4), 1000.0)
    reference = cutoff_track(tone, sample_rate_hz=RATE_HZ, pitch_hz=110.0).cutoff_hz
    louder = cutoff_track(gain * tone, sample_rate_hz=RATE_HZ, pitch_hz=110.0).cutoff_hz
    np.testing.assert_allclose(louder, reference)


@pytest.mark.parametrize(("width", "low", "high"), [(0.5, 40.0, 400.0), (0.1, -6.0, 6.0)])
def test_a_square_wave_has_no_even_harmonics(width: float, low: float, high: float) -> None:
    """Fourier series: sin(pi h / 2) vanishes for even h; a narrow pulse has all harmonics."""
    tone = harmonic_tone(220.0, harmonics_of_pulse(220.0, width))
    assert low < odd_even_db(tone, 220.0) < high
