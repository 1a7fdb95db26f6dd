"""Notes are found where they were put, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from matcher.target.onsets import find_notes
from shared.audio import read_recording, resample
from tests.matcher.target.tones import RATE_HZ, harmonic_tone, harmonics_of_saw, padded, played_saw
from tests.recordings import real_note
from tests.sequences import TARGETS, Played, demo_notes, recorded_notes, sequence

PROMPT = ("trumpet", "violin", "brass section", "tenor sax")


def assert_found(notes: tuple[Played, ...], gap_s: float, *, late_s: float = 0.06) -> None:
    """Check that each note, and nothing else, is found between its key and `late_s` after it."""
    signal, starts_s = sequence(notes, gap_s=gap_s)
    found = find_notes(signal, sample_rate_hz=RATE_HZ)
    assert len(found.cuts_s) == len(starts_s), found
    # A cut lies before the sound: up to 60 ms early where the note before still sounds.
    offsets = np.array(found.cuts_s) - starts_s
    assert np.all(offsets >= -0.06)
    assert np.all(offsets <= late_s)


@pytest.mark.parametrize(
    ("instrument", "gap_s"), [*((name, 0.0) for name in PROMPT), ("oboe", 0.05), ("violin", 0.25)]
)
def test_a_scale_is_cut_into_its_notes(instrument: str, gap_s: float) -> None:
    """Also tied, with no gap at all: the pitch changes."""
    assert_found(recorded_notes(instrument, [60, 62, 64]), gap_s)


@pytest.mark.parametrize("instrument", ["flute", "tuba", "string ensemble"])
def test_soft_attacks_need_a_gap(instrument: str) -> None:
    """Half a second of silence or release between the notes is enough for any of them."""
    low = 40 if instrument in {"cello", "tuba"} else 60
    assert_found(recorded_notes(instrument, [low, low + 2, low + 4]), 0.5)


@pytest.mark.parametrize("instrument", ["horn", "cello", "string ensemble"])
def test_a_key_is_found_again_after_a_gap(instrument: str) -> None:
    """The same key at several velocities: nothing but level and onset tells the notes."""
    low = 40 if instrument == "cello" else 60
    assert_found(recorded_notes(instrument, [low] * 3, velocities=(100, 60, 70)), 0.5)


@pytest.mark.parametrize(
    ("instrument", "gap_s"),
    [("horn_stab", 0.0), ("horn_stab", 0.1), ("string_pad", 0.5)],
)
def test_the_demo_targets_are_found(instrument: str, gap_s: float) -> None:
    """Stabs even when tied; slow pads once the release has fallen."""
    assert_found(demo_notes(instrument), gap_s)


@pytest.mark.parametrize(
    "name",
    [
        "muted_lead_A4_v90",  # vibrato that grows, level and brightness with it
        "string_pad_C3_v80",  # several players that beat
        "hollow_pad_G3_v70",  # a swell
        "reed_solo_E4_v85",  # breath before the tone
        "gut_pluck_D3_v95",  # a knock
        "horn_stab_C4_v100",  # pitch from below, an accent
    ],
)
def test_movement_within_a_note_is_no_onset(name: str) -> None:
    """A single note is one note, whatever moves in it."""
    recording = read_recording(TARGETS / f"{name}.flac")
    found = find_notes(recording.signal, sample_rate_hz=recording.sample_rate_hz)
    assert len(found.cuts_s) == 1
    assert found.dropped_s == ()


@pytest.mark.parametrize("instrument", ["violin", "string ensemble"])
def test_a_long_recorded_note_is_one(instrument: str) -> None:
    """Natural vibrato and beating over one and a half seconds."""
    note = real_note(instrument, 60, gate_s=1.5, duration_s=2.0)
    assert len(find_notes(note.signal, sample_rate_hz=note.sample_rate_hz).cuts_s) == 1


def test_deep_vibrato_is_no_onset() -> None:
    """A whole tone up and down five times a second; the flux is blind to it (Böck, Widmer)."""
    tone = harmonic_tone(220.0, harmonics_of_saw(220.0), duration_s=2.0, vibrato=(5.0, 100.0, 0.0))
    tone *= np.minimum(1.0, np.arange(tone.size) / 2000.0)
    signal = padded(tone, before_s=0.2, after_s=0.2)
    assert len(find_notes(signal, sample_rate_hz=RATE_HZ).cuts_s) == 1


def test_a_click_is_no_note() -> None:
    """Ten milliseconds of noise between two notes are dropped, and named."""
    rng = np.random.default_rng(3)
    note = padded(played_saw(60.0, gate_s=0.4, tail_s=0.4), after_s=0.8)
    click = note.size - round(0.4 * RATE_HZ)
    note[click : click + round(0.01 * RATE_HZ)] += 0.3 * rng.standard_normal(441)
    found = find_notes(np.tile(note, 2), sample_rate_hz=RATE_HZ)
    assert len(found.cuts_s) == 2
    assert np.allclose(
        found.dropped_s, [click / RATE_HZ, (click + note.size) / RATE_HZ], atol=0.03
    )
    assert found.echoes_s == ()


def test_an_echo_is_no_note() -> None:
    """Two darker, quieter copies of each of two notes are dropped as echoes."""
    delay_s = 0.35
    dry = np.concatenate(
        [padded(played_saw(key, gate_s=0.2, tail_s=0.3), after_s=2.0) for key in (60.0, 67.0)]
    )
    darker = butter(1, 3000.0, fs=RATE_HZ, output="sos")
    signal, copy = dry.copy(), dry
    for _ in range(2):
        copy = 0.4 * sosfilt(darker, np.roll(copy, round(delay_s * RATE_HZ)))
        signal += copy
    found = find_notes(padded(signal, before_s=0.2), sample_rate_hz=RATE_HZ)
    starts = np.array([0.2, 0.2 + dry.size / 2 / RATE_HZ])
    np.testing.assert_allclose(found.cuts_s, starts, atol=0.03)
    echoes = np.sort([start + k * delay_s for start in starts for k in (1, 2)])
    np.testing.assert_allclose(found.echoes_s, echoes, atol=0.03)
    assert found.dropped_s == found.echoes_s


def test_a_softer_repetition_by_another_bow_is_a_note() -> None:
    """Quieter and soon, but no copy: the waveform is another one."""
    loud, soft = played_saw(60.0, gate_s=0.3, tail_s=0.3), played_saw(60.4, gate_s=0.3, tail_s=0.3)
    signal = np.concatenate([padded(loud, before_s=0.1), 0.4 * soft])
    assert len(find_notes(signal, sample_rate_hz=RATE_HZ).cuts_s) == 2


def test_what_is_30_db_down_is_no_note() -> None:
    """A chair, a breath, the next room: 40 dB under the notes."""
    note = padded(played_saw(60.0, gate_s=0.3, tail_s=0.3), after_s=0.5)
    signal = np.concatenate([note, 0.01 * padded(played_saw(72.0, gate_s=0.3), after_s=0.5), note])
    found = find_notes(signal, sample_rate_hz=RATE_HZ)
    assert len(found.cuts_s) == 2


@pytest.mark.parametrize("rate_hz", [8000, 96_000])
def test_any_sampling_rate_will_do(rate_hz: int) -> None:
    """The thresholds mean the same at all of them."""
    notes = recorded_notes("clarinet", [60, 64, 67])
    signal, starts_s = sequence(notes, gap_s=0.1)
    found = find_notes(resample(signal, RATE_HZ, rate_hz), sample_rate_hz=rate_hz)
    np.testing.assert_allclose(found.cuts_s, starts_s, atol=0.04)


def test_nothing_but_noise_holds_at_most_its_beginning() -> None:
    """Steady noise has no onset in it."""
    signal = 0.1 * np.random.default_rng(1).standard_normal(2 * RATE_HZ)
    assert len(find_notes(signal, sample_rate_hz=RATE_HZ).cuts_s) <= 1
