"""Pitch and velocity in file names."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matcher.target.names import NameHints, read_name
from shared.notes import pitch_name


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
    """Pitch and velocity may stand anywhere between separators."""
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


@given(key=st.integers(12, 107), velocity=st.integers(1, 127))
def test_every_name_that_we_would_write_is_read(key: int, velocity: int) -> None:
    """`pitch_name` and a velocity in a file name come back."""
    assert read_name(f"pad_{pitch_name(float(key))}_v{velocity}") == NameHints(key, velocity)
