"""Attack, decay, sustain, gate and release against envelopes that are known."""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import pytest

from matcher.target import target_from_signal
from matcher.target.envelope import find_attack, find_release, level_track, level_window_s
from shared.errors import EarwrightWarning
from tests.matcher.target.tones import (
    RATE_HZ,
    adsr,
    harmonic_tone,
    harmonics_of_saw,
    key_hz,
    padded,
    played_saw,
)
from tests.recordings import real_note

if TYPE_CHECKING:
    from matcher.target import TargetNote
    from shared.types import FloatArray

ENVELOPES = [
    dict(zip(("attack_s", "decay_s", "sustain", "release_s", "gate_s"), values, strict=True))
    for values in product((0.002, 0.03), (0.08, 0.4), (0.3, 0.7, 1.0), (0.02, 0.2), (0.35, 1.0))
][::7]  # 7 has no factor in common with the numbers of values, so each pair of them occurs

STOPPED = played_saw(60.0, gate_s=1.0)[: round(0.4 * RATE_HZ)]


def analysed(signal: FloatArray, key: float = 60.0, gate_s: float | None = None) -> TargetNote:
    """Return a note whose pitch is given."""
    return target_from_signal(signal, RATE_HZ, midi_pitch=key, gate_s=gate_s)


def described(envelope: dict[str, float]) -> str:
    """Return a test id."""
    return "-".join(f"{value:g}" for value in envelope.values())


@pytest.mark.parametrize("key", [36.0, 84.0])
def test_the_level_of_a_steady_tone_does_not_ripple(key: float) -> None:
    """Over whole periods the level of any waveform is constant."""
    hz = key_hz(key)
    tone = harmonic_tone(hz, harmonics_of_saw(hz))
    track = level_track(tone, sample_rate_hz=RATE_HZ, pitch_hz=hz)
    inside = track.level_db[100:-100]
    # 0.1 dB: the window is rounded to whole samples.
    assert np.ptp(inside) < 0.1


@pytest.mark.parametrize(("key", "attack_s"), [(48.0, 0.02), (60.0, 0.005), (84.0, 0.5)])
def test_a_straight_attack_is_measured(key: float, attack_s: float) -> None:
    """Attacks come back within 10 %, short ones within 2 ms (half a period at C3)."""
    signal = played_saw(key, gate_s=attack_s + 0.5, attack_s=attack_s, sustain=0.7)
    measured = analysed(signal, key).analysis.attack_s
    assert measured == pytest.approx(attack_s, rel=0.1, abs=0.0025)


@pytest.mark.parametrize("attack_s", [0.002, 0.03])
def test_a_hard_attack_of_a_low_note_is_told_from_a_soft_one(attack_s: float) -> None:
    """At C2, where a period lasts 15 ms, the waveform itself tells 2 ms from 30 ms."""
    measured = analysed(played_saw(36.0, attack_s=attack_s), 36.0).analysis.attack_s
    assert measured == pytest.approx(attack_s, rel=0.1, abs=0.008)


def test_a_swell_after_a_quick_rise_is_no_slow_attack() -> None:
    """A tone that is there in 20 ms and grows by 3 dB over a second has a quick attack."""
    signal = played_saw(60.0, gate_s=1.2, attack_s=0.02)
    signal *= np.linspace(0.7, 1.0, signal.size)
    assert analysed(signal).analysis.attack_s < 0.05


def test_the_start_of_an_attack_lies_behind_its_onset() -> None:
    """The level passes 2 % of its maximum after it has passed 1 % of it."""
    note = analysed(padded(played_saw(60.0, attack_s=0.5, gate_s=1.0), before_s=0.1))
    assert note.onset_s <= note.analysis.attack_start_s <= note.onset_s + 0.02


@pytest.mark.parametrize("envelope", ENVELOPES, ids=described)
def test_a_known_envelope_is_measured(envelope: dict[str, float]) -> None:
    """Gate within 20 ms, and sustain, decay and release near what was played."""
    # Low notes with short attacks, high ones with longer ones: the level's window differs.
    key = 45.0 if envelope["attack_s"] < 0.01 else 72.0
    note = analysed(played_saw(key, tail_s=1.2, **envelope), key)
    analysis = note.analysis
    # 20 ms: a release that sets in smoothly has no sharper corner; the worst case seen is 15 ms.
    assert note.note.gate_s == pytest.approx(envelope["gate_s"], abs=0.02)
    assert analysis.release_s == pytest.approx(envelope["release_s"], rel=0.15, abs=0.002)
    level = adsr(int(2.0 * RATE_HZ), **envelope)
    held = level[int((envelope["gate_s"] - 0.02) * RATE_HZ)]
    fitted = analysis.sustain_ratio + (1.0 - analysis.sustain_ratio) * np.exp(
        -(envelope["gate_s"] - 0.02 - envelope["attack_s"]) / analysis.decay_s
    )
    # Decay and sustain trade against each other while the note is short: their product counts.
    assert fitted == pytest.approx(held, abs=0.08)
    if envelope["gate_s"] > 4.0 * envelope["decay_s"] and envelope["sustain"] < 1.0:
        assert analysis.sustain_ratio == pytest.approx(envelope["sustain"], abs=0.08)
        assert analysis.decay_s == pytest.approx(envelope["decay_s"], rel=0.35)


@pytest.mark.parametrize(("sustain", "release_s"), [(0.4, 0.2), (1.0, 0.05)])
def test_noise_does_not_move_the_gate(
    sustain: float, release_s: float, rng: np.random.Generator
) -> None:
    """With a floor 46 dB under the peak the gate is still found within 40 ms."""
    signal = played_saw(60.0, gate_s=0.8, tail_s=1.2, sustain=sustain, release_s=release_s)
    signal = padded(signal, before_s=0.2)
    note = analysed(signal + 0.0025 * rng.normal(size=signal.size))
    assert note.note.gate_s == pytest.approx(0.8, abs=0.04)


@pytest.mark.parametrize(("decay_s", "key"), [(0.05, 72.0), (0.4, 48.0)])
def test_the_gate_of_a_percussive_sound_is_its_whole_length(decay_s: float, key: float) -> None:
    """What only decays is held until it is gone: 60 dB, or 6.9 time constants."""
    signal = played_saw(key, gate_s=3.5, tail_s=0.1, attack_s=0.002, sustain=0.0, decay_s=decay_s)
    note = analysed(signal, key)
    assert note.note.gate_s == pytest.approx(6.9 * decay_s, rel=0.05, abs=0.02)
    assert note.analysis.decay_s == pytest.approx(decay_s, rel=0.15)
    assert note.analysis.sustain_ratio < 0.03
    assert not note.analysis.is_cut


def test_a_recording_that_ends_too_early_is_held_to_its_end() -> None:
    """A note without a release takes its whole length for the gate, and says so."""
    with pytest.warns(EarwrightWarning, match=r"ends while the note still sounds.*Give gate_s"):
        note = analysed(STOPPED)
    assert note.note.gate_s == pytest.approx(0.4, abs=0.02)
    assert note.analysis.is_cut
    assert note.analysis.release_s is None


def test_a_note_that_just_stops_is_not_cut_off() -> None:
    """Silence after the note tells that its release is short, not that it is missing."""
    note = analysed(padded(STOPPED, after_s=0.5))
    assert note.note.gate_s == pytest.approx(0.4, abs=0.02)
    assert not note.analysis.is_cut
    assert note.analysis.release_s == pytest.approx(0.005)


def test_a_dip_is_no_release() -> None:
    """A level that falls by 15 dB and comes back is held."""
    signal = played_saw(60.0, gate_s=1.2, tail_s=0.5)
    times = np.arange(signal.size) / RATE_HZ
    signal *= 1.0 - 0.82 * np.exp(-(((times - 0.4) / 0.08) ** 2))
    assert analysed(signal).note.gate_s == pytest.approx(1.2, abs=0.03)


def test_ringing_on_after_the_release_does_not_move_the_gate() -> None:
    """A room that goes on after the note doesn't count as held."""
    signal = played_saw(60.0, gate_s=0.6, tail_s=1.5, release_s=0.03)
    room = played_saw(60.0, gate_s=0.6, tail_s=1.5, release_s=0.3)
    assert analysed(signal + 0.1 * room).note.gate_s == pytest.approx(0.6, abs=0.03)


@pytest.mark.parametrize(
    ("instrument", "key", "gate_s"),
    [
        ("trumpet", 60.0, 0.4),
        ("tuba", 34.0, 0.4),
        ("cello", 48.0, 1.0),
        ("brass section", 60.0, 1.0),
        ("string ensemble", 60.0, 0.4),
    ],
)
def test_the_gate_of_recorded_notes_is_found(instrument: str, key: float, gate_s: float) -> None:
    """The key-up of recorded notes is found within 60 ms, in an ensemble within 0.1 s."""
    note = analysed(real_note(instrument, key, gate_s=gate_s).signal, key)
    # An ensemble beats, and its release is slow: the corner is as wide as a beat.
    tolerance = 0.1 if instrument == "string ensemble" else 0.06
    assert note.source_onset_s + note.note.gate_s == pytest.approx(gate_s, abs=tolerance)


def test_a_release_that_is_not_there_has_no_time() -> None:
    """Where the level doesn't fall after the gate, the release is unknown."""
    tone = harmonic_tone(220.0, {1: 1.0}, duration_s=0.5)
    track = level_track(tone, sample_rate_hz=RATE_HZ, pitch_hz=220.0)
    assert find_release(track, gate_end_s=0.3, noise_floor_db=-120.0) is None
    assert find_release(track, gate_end_s=0.6, noise_floor_db=-120.0) is None


def test_the_window_is_whole_periods_of_two_milliseconds_at_least() -> None:
    """A4 needs one period of 2.27 ms, A6 four of them; without a pitch 20 ms are taken."""
    assert level_window_s(440.0) == pytest.approx(1.0 / 440.0)
    assert level_window_s(1760.0) == pytest.approx(4.0 / 1760.0)
    assert level_window_s(None) == pytest.approx(0.02)


def test_an_attack_is_also_found_without_a_pitch() -> None:
    """Noise has an attack, too."""
    rng = np.random.default_rng(3)
    signal = rng.normal(size=RATE_HZ) * adsr(RATE_HZ, gate_s=0.7, attack_s=0.2)
    track = level_track(signal, sample_rate_hz=RATE_HZ, pitch_hz=None)
    attack = find_attack(track, onset_s=0.0, pitch_hz=None)
    assert attack.rise_s == pytest.approx(0.2, rel=0.15)
