"""`shared.units` and `shared.notes` against standards and handbook tables."""

from __future__ import annotations

import math

import librosa
import numpy as np
import pytest

from shared.notes import parse_pitch, pitch_name
from shared.units import (
    amplitude_to_db,
    cents_to_ratio,
    db_to_amplitude,
    hz_to_midi,
    midi_to_hz,
    octaves_to_ratio,
    ratio_to_cents,
)


def test_a4_is_440_hz() -> None:
    """ISO 16:1975, clause 2: the A in the treble stave is 440 Hz."""
    assert midi_to_hz(parse_pitch("A4")) == 440.0


@pytest.mark.parametrize(
    ("name", "number"), [("C4", 60), ("A4", 69), ("C-1", 0), ("G9", 127), ("A0", 21), ("C8", 108)]
)
def test_note_numbers(name: str, number: int) -> None:
    """MIDI 1.0 Detailed Specification 4.2, note-on: middle C is 60, the piano spans 21 to 108.

    That middle C is called C4 is common practice, no source (the specification names no octaves).
    """
    assert parse_pitch(name) == number
    assert pitch_name(float(number)) == name


@pytest.mark.parametrize(
    ("number", "frequency_hz"),
    [
        (0, 8.1758),
        (60, 261.6256),
        (69, 440.0),
        (127, 12543.854),
    ],
)
def test_frequencies_of_note_numbers(number: int, frequency_hz: float) -> None:
    """MIDI 1.0 Detailed Specification 4.2, MIDI Tuning Standard, frequency data format."""
    # Half of the last printed digit.
    assert midi_to_hz(float(number)) == pytest.approx(frequency_hz, abs=0.00005)
    # The same at 8.1758 Hz, in semitones.
    assert hz_to_midi(frequency_hz) == pytest.approx(
        number, abs=0.00005 / 8.1758 * 12 / math.log(2)
    )


@pytest.mark.parametrize(
    ("ratio", "cents"),
    [
        (2 / 1, 1200.000),
        (3 / 2, 701.955),
        (4 / 3, 498.045),
        (5 / 4, 386.314),
        (6 / 5, 315.641),
        (9 / 8, 203.910),
        (16 / 15, 111.731),
        (81 / 80, 21.506),
    ],
    ids=["octave", "fifth", "fourth", "third", "minor-third", "tone", "semitone", "comma"],
)
def test_just_intervals_in_cents(ratio: float, cents: float) -> None:
    """The handbook figures of just intonation, 1200 log2 of the ratio to three decimals.

    From memory; the fifth, the fourth and the thirds stand in every book on tuning.
    """
    # Half of the last printed digit.
    assert ratio_to_cents(ratio) == pytest.approx(cents, abs=0.0005)
    assert cents_to_ratio(cents) == pytest.approx(ratio, rel=0.0005 * math.log(2) / 1200)


def test_an_octave_doubles_the_frequency() -> None:
    """ISO 80000-3:2006, logarithmic frequency interval: one octave is lb 2 = 1."""
    assert octaves_to_ratio(1.0) == 2.0
    assert octaves_to_ratio(3.0) == 8.0
    assert cents_to_ratio(1200.0) == 2.0


@pytest.mark.parametrize(
    ("amplitude", "level_db"),
    [(1.0, 0.0), (10.0, 20.0), (0.1, -20.0), (2.0, 6.0206), (math.sqrt(0.5), -3.0103)],
)
def test_levels_of_amplitudes(amplitude: float, level_db: float) -> None:
    """IEC 60027-3:2002: a level of field quantities is 20 lg of their ratio, in dB."""
    # Half of the last printed digit.
    assert amplitude_to_db(amplitude) == pytest.approx(level_db, abs=0.00005)
    assert db_to_amplitude(level_db) == pytest.approx(amplitude, rel=0.00005 * math.log(10) / 20)


def test_librosa_agrees() -> None:
    """The package librosa 0.11, `midi_to_hz` and `hz_to_midi`, over the whole range of MIDI."""
    pitches = np.linspace(0.0, 127.0, 509)
    # The same formula in the same precision: a few units in the last place of 69 semitones.
    np.testing.assert_allclose(midi_to_hz(pitches), librosa.midi_to_hz(pitches), rtol=1e-14)
    frequencies_hz = np.geomspace(8.0, 13_000.0, 509)
    np.testing.assert_allclose(
        hz_to_midi(frequencies_hz), librosa.hz_to_midi(frequencies_hz), rtol=0.0, atol=1e-13
    )
