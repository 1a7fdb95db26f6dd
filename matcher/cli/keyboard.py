"""``earwright keyboard``: a patch over the keyboard, and what breaks."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

from matcher.cli._pages import refresh_page
from matcher.cli._parser import number, one_or_list, pitch, velocity, whole_number

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Subparsers

__all__ = ["add_parser", "run"]

SUMMARY = "play a patch over the keyboard and tell what breaks"
DESCRIPTION = """\
Play the patch of a match over keys and velocities, and tell what breaks: level
jumps (ITU-R BS.1770), brightness that runs away, LFO rates out of hand,
aliasing, clipping. The figures go to keyboard.json in the run folder, a scale
to keyboard.wav.
"""
EXAMPLES = """\
examples:
  earwright keyboard runs/horn --from C2 --to C6
  earwright keyboard runs/horn --from C3 --to C5 --step 2 --velocity 30,64,120
"""


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "keyboard", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES
    )
    parser.add_argument("folder", metavar="RUN", help="folder of a match")
    keys = parser.add_argument_group("keys")
    keys.add_argument(
        "--from", dest="low", type=pitch, default="C2", metavar="P", help="first key (default: C2)"
    )
    keys.add_argument(
        "--to", dest="high", type=pitch, default="C6", metavar="P", help="last key (default: C6)"
    )
    keys.add_argument(
        "--step",
        type=whole_number(1, 24, "a whole number from 1 to 24 semitones"),
        default=1,
        metavar="N",
        help="semitones from key to key (default: %(default)s)",
    )
    keys.add_argument(
        "--velocity",
        type=one_or_list(velocity),
        metavar="V",
        help="velocities with commas between them (default: 40,100)",
    )
    keys.add_argument(
        "--gate",
        type=number(0.0, 10.0, "above 0 and up to 10 s", above=True),
        default=0.6,
        metavar="S",
        help="how long each key is held, in s (default: %(default)s)",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object instead")


def run(arguments: argparse.Namespace) -> int:
    """Play the keyboard, and print what breaks."""
    from matcher import keyboard  # noqa: PLC0415  keeps the help quick
    from matcher.explaining.keyboard import DEFAULT_VELOCITIES  # noqa: PLC0415
    from matcher.interrupts import StopRequest  # noqa: PLC0415
    from matcher.texts.explanation import format_keyboard  # noqa: PLC0415

    given = [v for v in arguments.velocity or () if v is not None]
    with StopRequest() as request:
        found = keyboard(
            arguments.folder,
            low=arguments.low,
            high=arguments.high,
            step=arguments.step,
            velocities=given or DEFAULT_VELOCITIES,
            gate_s=arguments.gate,
            progress=not arguments.json and sys.stderr.isatty(),
            stop=request,
        )
    refresh_page(arguments.folder)
    if arguments.json:
        sys.stdout.write(f"{json.dumps(found.to_dict(), allow_nan=False)}\n")
    else:
        sys.stdout.write(f"{format_keyboard(found, arguments.folder)}\n")
    return request.exit_status
