"""The options that say what is played in the recordings, and which notes are fitted."""

from __future__ import annotations

import argparse
from typing import Any

from matcher.cli._parser import gate_s, number, one_or_list, pitch, velocity

__all__: list[str] = []

GROUP_TEXT = """\
One value for all notes, or one for each, separated by commas; a gap leaves a
note as it is.
"""


def add_note_options(parser: argparse.ArgumentParser, *, leave_out: bool = True) -> None:
    """Add what the user knows about the notes."""
    note = parser.add_argument_group("notes", GROUP_TEXT)
    note.add_argument(
        "--pitch",
        type=one_or_list(pitch),
        metavar="P",
        help="note name (Bb3, A4+14) or MIDI pitch (60.25); C4 is 60",
    )
    note.add_argument(
        "--velocity", type=one_or_list(velocity), metavar="V", help="1 to 127 (default: 100)"
    )
    note.add_argument(
        "--gate", type=one_or_list(gate_s), metavar="S", help="how long the key is held, in s"
    )
    several = parser.add_argument_group("several notes")
    several.add_argument(
        "--split",
        nargs="?",
        const=True,
        default=False,
        type=_split_times,
        metavar="TIMES",
        help="cut a recording of several notes at its onsets, or where TIMES say that they "
        "begin, in s: 0.1,1.2,2.5",
    )
    several.add_argument(
        "--instrument", metavar="NAME", help="which instrument of a manifest, if it has several"
    )
    if not leave_out:
        return
    several.add_argument(
        "--leave-out",
        action="append",
        metavar="NOTE",
        help="fit without this note (its file, name or pitch) and try the patch on it; may be "
        "given several times; `each` does so with every note in turn, with half of the budget",
    )


def note_settings(arguments: argparse.Namespace) -> dict[str, Any]:
    """Collect what `load_target` is told."""
    settings: dict[str, Any] = {"split": arguments.split, "instrument": arguments.instrument}
    for option, name in (("pitch", "midi_pitch"), ("velocity", "velocity"), ("gate", "gate_s")):
        values = getattr(arguments, option)
        if values is not None:
            settings[name] = values[0] if len(values) == 1 else values
    return settings


def notes_left_out(arguments: argparse.Namespace) -> str | list[str] | None:
    """Tell which notes aren't fitted; None if all are."""
    names: list[str] | None = arguments.leave_out
    return names[0] if names and len(names) == 1 else names


def _split_times(text: str) -> list[float]:
    """Read times in s."""
    read = number(0.0, 86_400.0, "0 s or more")
    try:
        return [read(piece) for piece in text.split(",")]
    except argparse.ArgumentTypeError as error:
        raise argparse.ArgumentTypeError(
            f'"{text}" is not a list of times; seconds with commas between them (0.1,1.2,2.5), '
            "or nothing, are accepted, and recordings stand before --split"
        ) from error
