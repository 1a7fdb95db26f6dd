"""What is to be said about velocities and levels of several notes."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.target.model import TargetNote

__all__ = ["about_levels", "about_velocities"]

# Notes struck this differently are expected to differ in level; recordings that were normalised
# by their peaks lie this close in the loudest 50 ms. Common practice, no source.
LEAST_VELOCITIES = 16
EQUAL_DB = 1.5


def about_velocities(notes: Sequence[TargetNote]) -> list[str]:
    """Say that the notes of a split recording all get one velocity."""
    unknown = [note for note in notes if "velocity" in note.estimated]
    if len(notes) < 2 or not unknown:
        return []
    is_one = len(unknown) == 1
    levels = [note.level_db for note in unknown]
    text = (
        f"Nothing tells how hard {unknown[0].name if is_one else f'the {len(unknown)} notes'} "
        f"{'was' if is_one else 'were'} struck, so velocity {unknown[0].note.velocity} is taken"
    )
    if not is_one:
        text += f" for all; their levels lie within {max(levels) - min(levels):.1f} dB"
    return [f"{text}. Give --velocity, one value for each note, if they differ."]


def about_levels(notes: Sequence[TargetNote]) -> list[str]:
    """Say where recordings seem to have been normalised."""
    keys: dict[int, list[TargetNote]] = {}
    for note in notes:
        if "velocity" not in note.estimated:
            keys.setdefault(round(note.note.midi_pitch), []).append(note)
    texts = []
    for same in keys.values():
        soft, loud = (pick(same, key=lambda note: note.note.velocity) for pick in (min, max))
        gap_db = loud.level_db - soft.level_db
        if loud.note.velocity - soft.note.velocity < LEAST_VELOCITIES or abs(gap_db) > EQUAL_DB:
            continue
        texts.append(
            f"{soft.name} and {loud.name} are equally loud (within {abs(gap_db):.1f} dB) at "
            f"velocities {soft.note.velocity} and {loud.note.velocity}. If the recordings were "
            "normalised, they don't tell how level responds to velocity: set "
            "amp_env.velocity_db by ear."
        )
    return texts
