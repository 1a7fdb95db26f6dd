"""What a note is taken to be: by the user, the file name, or the sound."""

from __future__ import annotations

import pytest

from matcher.target.note import ChosenPitch, NameHints, choose_pitch, read_name
from shared.errors import TargetError
from shared.notes import pitch_name
from tests.matcher.target.tones import key_hz


def chosen(
    given: float | None, named: float | None, measured: float | None, strength: float = 0.7
) -> ChosenPitch:
    """Decide about a file ``x.wav``."""
    measured_hz = None if measured is None else key_hz(measured)
    return choose_pitch(given, named, measured_hz, strength_ratio=strength, source="x.wav")


def test_a_given_pitch_wins_over_everything() -> None:
    """The user is right, and is warned when the sound says otherwise."""
    assert chosen(60.0, 62.0, 60.3) == ChosenPitch(60.0)
    result = chosen(60.0, None, 64.0)
    assert result.midi_pitch == 60.0
    assert not result.is_estimated
    assert "the given pitch is C4, the sound is E4" in result.warning


def test_a_given_pitch_an_octave_off_is_mentioned() -> None:
    """More than 60 cents is another key, an octave too."""
    assert "the sound is C4" in chosen(48.0, None, 60.0).warning
    assert chosen(60.0, None, 60.59).warning == ""
    assert chosen(60.0, None, 60.61).warning


@pytest.mark.parametrize("off", [-0.55, 0.55])
def test_a_name_that_fits_the_sound_is_the_key(off: float) -> None:
    """The key in the name is played, and the sound's cents become a fine tune."""
    assert chosen(None, 60.0, 60.0 + off) == ChosenPitch(60.0)


@pytest.mark.parametrize(
    ("octaves", "words"),
    [(1, "an octave above"), (-1, "an octave below"), (2, "2 octaves above")],
)
def test_a_name_octaves_off_is_the_key_that_is_pressed(octaves: int, words: str) -> None:
    """A patch may sound an octave off its key; the name is taken, with a warning."""
    result = chosen(None, 60.0, 60.1 + 12.0 * octaves)
    assert result.midi_pitch == 60.0
    assert not result.is_estimated
    assert words in result.warning


@pytest.mark.parametrize("measured", [61.0, 67.0, 30.0, 60.0 + 36.0])
def test_a_name_that_does_not_fit_is_not_believed(measured: float) -> None:
    """Another key than the name's is what it sounds, with a warning."""
    result = chosen(None, 60.0, measured)
    assert result.midi_pitch == pytest.approx(measured)
    assert result.is_estimated
    assert "the sound is believed. Give --pitch" in result.warning


def test_a_measured_pitch_keeps_its_cents() -> None:
    """Nothing is rounded to a key that nobody named."""
    result = chosen(None, None, 60.37)
    assert result.midi_pitch == pytest.approx(60.37)
    assert result.is_estimated
    assert result.warning == ""


def test_an_unclear_pitch_is_said_to_be_unclear() -> None:
    """A weak pitch is assumed, not known."""
    assert "C4 is assumed. Give --pitch" in chosen(None, None, 60.0, strength=0.15).warning


def test_a_name_helps_where_no_pitch_is_found() -> None:
    """Drum-like sounds can be named; the name is taken with a warning, a given pitch without."""
    assert "C4 of the name is taken" in chosen(None, 60.0, None).warning
    assert chosen(60.0, None, None) == ChosenPitch(60.0)


def test_no_pitch_at_all_is_refused() -> None:
    """The message tells how to give one."""
    with pytest.raises(TargetError, match=r"x\.wav: no pitch is found.*--pitch C4"):
        chosen(None, None, None)


@pytest.mark.parametrize(
    ("name", "midi_pitch", "velocity"),
    [
        ("horn_C4_v100", 60.0, 100),
        ("C3", 48.0, None),
        ("horn-stab_Bb3_v45", 58.0, 45),
        ("brass (F#4) vel127", 66.0, 127),
        ("pad.A2.V9", 45.0, 9),
        ("C4_C4_again", 60.0, None),
    ],
)
def test_whole_pieces_are_read(name: str, midi_pitch: float, velocity: int | None) -> None:
    """Pitch and velocity may be anywhere between separators."""
    assert read_name(name) == NameHints(midi_pitch, velocity)


@pytest.mark.parametrize(
    "name",
    [
        "",
        "horn",
        "track3",
        "C3PO",
        "take_c4",
        "b2",
        "mix2",
        "H4",
        "C",
        "C10",
        "v0",
        "v128",
        "v1000",
        "velocity",
        "C4_D4",
        "v10_v20",
        "E-piano",
        "A#b3",
    ],
)
def test_what_is_not_certain_is_not_read(name: str) -> None:
    """Small letters, parts of words, values out of range and contradictions tell nothing."""
    assert read_name(name) == NameHints(None, None)


@pytest.mark.parametrize("key", range(12, 108))
def test_every_name_that_we_would_write_is_read(key: int) -> None:
    """`pitch_name` and a velocity in a file name come back."""
    assert read_name(f"pad_{pitch_name(float(key))}_v{key}") == NameHints(key, key)
