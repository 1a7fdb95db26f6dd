"""Tests for `shared.notes`."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.errors import ParameterError
from shared.notes import Note, parse_pitch, pitch_name

READ = """
C4: 60.0, c4: 60.0, C#4: 61.0, Db4: 61.0, Bb3: 58.0, bb3: 58.0, B3: 59.0, Cb4: 59.0, B#3: 60.0,
F##3: 55.0, Ebb4: 62.0, C\u266f4: 61.0, B\u266d3: 58.0, C-1: 0.0, G9: 127.0, A4+14: 69.14,
A4-14: 68.86, A-1+14: 9.14, C4 +13 cents: 60.13, C4-12.5: 59.875, 60: 60.0, 60.25: 60.25,
 60 : 60.0, 0: 0.0, 127: 127.0
"""
WRITTEN = (
    "60.0: C4, 60.13: C4 +13 cents, 59.87: C4 -13 cents, 61.0: C#4, 69.0: A4, "
    "60.5: C#4 -50 cents, 60.004: C4, 0.0: C-1, 127.0: G9"
)


def test_pitches_are_read_and_written() -> None:
    """Names and numbers are read to the bit; the nearest note and whole cents are written."""
    for row in READ.split(","):
        text, midi_pitch = row.split(":")
        assert parse_pitch(text) == float(midi_pitch)
    for row in WRITTEN.split(", "):
        midi_pitch, name = row.split(": ")
        assert pitch_name(float(midi_pitch)) == name


@pytest.mark.parametrize(
    "text",
    ["", "H4", "C", "C#b4", "C###4", "C4 13", "C44", "A4+", "60.", "1e2", "nan", "C\u00b24"],
)
def test_what_is_no_pitch_is_refused(text: str) -> None:
    """Other text is refused, and the message shows the forms that are accepted."""
    with pytest.raises(
        ParameterError, match=r"is not understood; it must be a note name from C-1 to G9"
    ):
        parse_pitch(text)


@pytest.mark.parametrize("text", ["128", "-1", "Ab9", "G9+1", "Cb-1", "C-1-1"])
def test_pitches_outside_midi_are_refused(text: str) -> None:
    """A pitch below C-1 or above G9 is refused with the text as typed."""
    with pytest.raises(ParameterError, match=f"{re.escape(text)}.* lies outside the MIDI range"):
        parse_pitch(text)


@given(st.floats(0.0, 127.0))
def test_a_written_pitch_is_read_back(midi_pitch: float) -> None:
    """What is printed can be typed: it comes back within the rounding to whole cents."""
    # Half a cent, and room for the rounding of the sum.
    assert abs(parse_pitch(pitch_name(midi_pitch)) - midi_pitch) <= 0.005 + 1e-9


def test_a_note_has_defaults() -> None:
    """A pitch alone is a note of one second at the reference velocity."""
    assert Note(60.0) == Note(60.0, 100, 1.0)


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"midi_pitch": -0.1}, "midi_pitch is -0.1; it must be 0 to 127"),
        ({"midi_pitch": 127.5}, "midi_pitch is 127.5; it must be 0 to 127"),
        ({"midi_pitch": math.nan}, "midi_pitch is nan; it must be 0 to 127"),
        ({"velocity": 0}, "velocity is 0; it must be a whole number from 1 to 127"),
        ({"velocity": 128}, "velocity is 128; it must be a whole number from 1 to 127"),
        ({"velocity": 90.5}, "velocity is 90.5; it must be a whole number from 1 to 127"),
        ({"velocity": math.nan}, "velocity is nan; it must be a whole number from 1 to 127"),
        ({"gate_s": 0.0}, "gate_s is 0 s; it must be above 0 s and up to 60 s"),
        ({"gate_s": 250.0}, "gate_s is 250 s; it must be above 0 s and up to 60 s"),
        ({"gate_s": math.nan}, "gate_s is nan s; it must be above 0 s and up to 60 s"),
    ],
)
def test_a_note_outside_its_ranges_is_refused(fields: dict[str, float], message: str) -> None:
    """Each field is checked, with its value and what is accepted."""
    with pytest.raises(ParameterError, match=message) as caught:
        Note(**{"midi_pitch": 60.0, **fields})
    assert caught.value.name == next(iter(fields))
