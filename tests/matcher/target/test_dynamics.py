"""What is said about velocities that nobody told, and about levels that tell nothing."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
import soundfile

from matcher.target import TargetNote, load_target
from matcher.target.dynamics import about_levels, about_velocities
from shared import Note
from shared.errors import EarwrightWarning
from tests.own_notes import own_target
from tests.recordings import real_note
from tests.sequences import TARGETS

if TYPE_CHECKING:
    from pathlib import Path

NOTE = own_target(60.0).notes[0]
KNOWN = frozenset({"onset"})


def note_of(
    velocity: int, level_db: float, *, midi_pitch: float = 60.0, known: bool = True
) -> TargetNote:
    """Return a note of this velocity and level."""
    return replace(
        NOTE,
        name=f"v{velocity}",
        note=Note(midi_pitch, velocity, 0.5),
        level_db=level_db,
        estimated=KNOWN if known else KNOWN | {"velocity"},
    )


def test_a_soft_and_a_loud_note_of_one_level_are_pointed_out() -> None:
    """Which notes, how equal, at which velocities, and what it means."""
    (text,) = about_levels([note_of(45, -12.4), note_of(100, -12.0), note_of(70, -12.1)])
    assert text.startswith(
        "v45 and v100 are equally loud (within 0.4 dB) at velocities 45 and 100"
    )
    assert "normalised" in text


@pytest.mark.parametrize(
    "notes",
    [
        [note_of(45, -24.0), note_of(100, -12.0)],
        [note_of(90, -12.0), note_of(100, -12.0)],
        [note_of(45, -12.0), note_of(100, -12.0, midi_pitch=67.0)],
        [note_of(45, -12.0, known=False), note_of(100, -12.0)],
        [note_of(45, -12.0)],
    ],
    ids=["levels differ", "velocities don't", "other keys", "not known", "one note"],
)
def test_otherwise_nothing_is_said(notes: list[TargetNote]) -> None:
    """Silence where levels tell something, or can't be compared."""
    assert about_levels(notes) == []


def test_normalised_recordings_of_two_dynamics_warn(tmp_path: Path) -> None:
    """Two files of a real instrument, each brought to the same peak."""
    paths = []
    for velocity in (50, 110):
        note = real_note("trumpet", 60, velocity=velocity)
        path = tmp_path / f"trumpet_C4_v{velocity}.wav"
        soundfile.write(path, 0.5 * note.signal / abs(note.signal).max(), note.sample_rate_hz)
        paths.append(path)
    with pytest.warns(EarwrightWarning, match=r"equally loud .* velocities 50 and 110"):
        target = load_target(*paths)
    assert "normalised" in target.notes[0].warnings[-1]


def test_the_demo_stabs_tell_their_levels() -> None:
    """They were recorded at one gain: soft is softer, so nothing has to be said."""
    paths = [TARGETS / f"horn_stab_C4_v{velocity}.flac" for velocity in (45, 100)]
    assert all(note.warnings == () for note in load_target(*paths).notes)


def test_velocities_that_are_known_need_no_word() -> None:
    """Neither does a single note."""
    assert about_velocities([note_of(45, -12.0), note_of(100, -6.0)]) == []
    assert about_velocities([note_of(100, -6.0, known=False)]) == []


def test_one_unknown_velocity_is_named() -> None:
    """Among others that were given."""
    (text,) = about_velocities([note_of(45, -12.0), note_of(100, -6.0, known=False)])
    assert text.startswith(
        "Nothing tells how hard v100 was struck, so velocity 100 is taken. Give"
    )
