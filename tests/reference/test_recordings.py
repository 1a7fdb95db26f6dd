"""The recorded notes are what their callers asked for: instrument, pitch, level, gate."""

import sys

import librosa
import numpy as np
import pretty_midi
import pytest

from shared.errors import ParameterError
from tests import recordings
from tests.recordings import PROGRAMS, real_note

# Pitches inside each instrument's written compass, low and high. Common practice, no source.
PITCHES = [
    ("trumpet", 58),
    ("trumpet", 79),
    ("horn", 45),
    ("horn", 70),
    ("trombone", 43),
    ("brass section", 60),
    ("string ensemble", 48),
    ("string ensemble", 76),
    ("violin", 88),
    ("cello", 40),
    ("clarinet", 53),
    ("oboe", 84),
    ("alto sax", 60),
]


def cents_off(note: recordings.RealNote) -> float:
    """Return the median pitch of the held part, in cents from the pitch asked for."""
    expected_hz = librosa.midi_to_hz(note.midi_pitch)
    held = note.signal[int(0.3 * note.sample_rate_hz) : int(0.9 * note.sample_rate_hz)]
    # The range spans more than an octave to either side, so an octave slip shows.
    heard_hz = librosa.yin(
        held,
        fmin=expected_hz / 3.0,
        fmax=3.0 * expected_hz,
        sr=note.sample_rate_hz,
        frame_length=8192,
    )
    return float(1200.0 * np.log2(np.median(heard_hz) / expected_hz))


def level_db(note: recordings.RealNote, start_s: float, end_s: float) -> float:
    """Return the level of a stretch in dB."""
    stretch = note.signal[int(start_s * note.sample_rate_hz) : int(end_s * note.sample_rate_hz)]
    return float(10.0 * np.log10(np.mean(stretch**2) + 1e-20))


@pytest.mark.parametrize(("instrument", "midi_pitch"), PITCHES)
def test_the_pitch_is_the_one_asked_for(instrument: str, midi_pitch: float) -> None:
    """MIDI pitch 69 is A4 = 440 Hz (ISO 16), and the bank's recordings follow it."""
    # 30 cents: recorded players drift; the worst note measured here is 8 cents off.
    assert abs(cents_off(real_note(instrument, midi_pitch))) < 30.0


@pytest.mark.parametrize("instrument", ["trumpet", "clarinet", "violin"])
def test_the_note_ends_with_its_gate(instrument: str) -> None:
    """Before the gate's end the note sounds; 0.3 s after it at least 30 dB are gone."""
    note = real_note(instrument, 67, gate_s=0.6, duration_s=1.2)
    assert level_db(note, 0.3, 0.6) - level_db(note, 0.9, 1.2) > 30.0


@pytest.mark.parametrize("instrument", sorted(PROGRAMS))
def test_every_instrument_sounds_at_once_and_peaks_at_6_db_under_full_scale(
    instrument: str,
) -> None:
    """The key goes down at sample 0, and the peak is -6 dBFS."""
    note = real_note(instrument, 60)
    peak = np.abs(note.signal).max()
    assert 20.0 * np.log10(peak) == pytest.approx(-6.0, abs=1e-9)
    # 30 ms to a fiftieth of the peak: the slowest, the second string ensemble, takes 14 ms.
    assert np.argmax(np.abs(note.signal) > 0.02 * peak) < 0.03 * note.sample_rate_hz


def test_programs_are_those_of_general_midi() -> None:
    """General MIDI System Level 1, sound set table, as another package has it typed in."""
    for instrument, program in PROGRAMS.items():
        assert instrument in pretty_midi.program_to_instrument_name(program).lower()


@pytest.mark.parametrize("package", ["pretty_midi", "tinysoundfont"])
def test_a_missing_package_is_named_with_its_command(
    package: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever lacks one of the packages reads the command that installs it."""
    monkeypatch.setitem(sys.modules, package, None)
    recordings._sound_bank.cache_clear()
    with pytest.raises(ModuleNotFoundError, match=r"pip install --no-deps tinysoundfont"):
        recordings._new_synth(44_100)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"instrument": "lute"}, 'instrument is "lute"; accepted: .*trumpet'),
        ({"midi_pitch": 128.0}, "midi_pitch is 128.0; it must be 0 to 127"),
        ({"velocity": 0}, "velocity is 0; it must be 1 to 127"),
        ({"gate_s": 3.0}, "gate_s is 3.0 s; .* duration_s=2.0 s"),
    ],
    ids=["instrument", "pitch", "velocity", "gate"],
)
def test_a_request_out_of_range_is_refused(arguments: dict[str, object], message: str) -> None:
    """What the player would play wrongly is refused, with what is accepted."""
    with pytest.raises(ParameterError, match=message):
        real_note(**{"instrument": "horn", "midi_pitch": 60.0, **arguments})
