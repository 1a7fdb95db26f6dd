"""``earwright audition``: parts of a patch exaggerated, as they are, and left out."""

from __future__ import annotations

import sys
from dataclasses import replace
from typing import TYPE_CHECKING

from matcher.cli._parser import gate_s, number, pitch, velocity

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Subparsers

__all__ = ["add_parser", "run"]

SUMMARY = "play parts of a patch exaggerated, as they are, and left out"
DESCRIPTION = """\
Play parts of a patch exaggerated, at their final depth, and left out: to check
that a movement is there, and that nobody hears it by itself.

A part is named by its title ("vibrato, oscillator 2"), by words of it
(vibrato), or by its parameters (osc2.vibrato). The sounds go to audition/ in
the run folder, each alone and all in audition.wav with short gaps, beside a cue
list (audition.txt: start, end, label). Depths stop at the ends of their ranges;
the level is limited.
"""
EXAMPLES = """\
examples:
  earwright audition runs/horn "filter envelope"
  earwright audition runs/horn vibrato detune --factor 8
  earwright audition runs/horn osc2.pitch_env --pitch C3 --velocity 120
"""


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "audition", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES
    )
    parser.add_argument("folder", metavar="RUN", help="folder of a match")
    parser.add_argument("parts", nargs="+", metavar="PART", help="what to listen to, in turn")
    parser.add_argument(
        "--factor",
        type=number(1.0, 100.0, "above 1 and up to 100", above=True),
        default=4.0,
        metavar="X",
        help="how much further the exaggerated version goes (default: %(default)g)",
    )
    note = parser.add_argument_group("note (default: the first note of the target)")
    note.add_argument("--pitch", type=pitch, metavar="P", help="note name or MIDI pitch")
    note.add_argument("--velocity", type=velocity, metavar="V", help="1 to 127")
    note.add_argument("--gate", type=gate_s, metavar="S", help="how long the key is held, in s")


def run(arguments: argparse.Namespace) -> int:
    """Play the parts, and print the cue list."""
    from matcher import audition, load_run  # noqa: PLC0415  keeps the help quick
    from matcher.texts.explanation import format_audition  # noqa: PLC0415

    folder = load_run(arguments.folder)
    given = {
        "midi_pitch": arguments.pitch,
        "velocity": arguments.velocity,
        "gate_s": arguments.gate,
    }
    chosen = {name: value for name, value in given.items() if value is not None}
    note = replace(folder.notes[0].played, **chosen)
    found = audition(folder, *arguments.parts, factor=arguments.factor, note=note)
    sys.stdout.write(f"{format_audition(found, arguments.folder)}\n")
    return 0
