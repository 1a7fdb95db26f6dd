"""``earwright diff``: two patches side by side."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Subparsers

__all__ = ["add_parser", "run"]

SUMMARY = "say what differs between two patches, and what is heard of it"
DESCRIPTION = """\
Say what differs between two patches: the changed parameters in user units, the
change of each term of the loss, and which of the changes can be heard, each by
itself and all together.

A patch is a run folder (its current state), a version of it (RUN@VERSION, with
a number or a name), or a patch file. The loss is that on the notes of the run;
two patch files are heard on one note, C4.
"""
EXAMPLES = """\
examples:
  earwright diff runs/horn@final runs/horn
  earwright diff runs/horn@3 runs/horn@8 --audio horn-3-8
  earwright diff brass.json brighter.json
"""


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser("diff", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES)
    for name, when in (("a", "before"), ("b", "after")):
        parser.add_argument(
            name, metavar=name.upper(), help=f"{when}: RUN, RUN@VERSION or patch file"
        )
    parser.add_argument(
        "--audio",
        metavar="FOLDER",
        help="write both as sound, at one level, into a new folder",
    )


def run(arguments: argparse.Namespace) -> int:
    """Compare, write sounds if they are wanted, and print."""
    from matcher.hearing_patches import difference_between, write_both  # noqa: PLC0415
    from matcher.texts.history import format_difference  # noqa: PLC0415  keeps the help quick
    from matcher.texts.match_printout import SHORT_CAUTION  # noqa: PLC0415

    difference = difference_between(arguments.a, arguments.b)
    written = write_both(difference, arguments.audio) if arguments.audio else ()
    sys.stdout.write(f"{format_difference(difference)}\n")
    if written:
        lines = ["Sounds", *(f"  {path}" for path in written), SHORT_CAUTION]
        sys.stdout.write("\n" + "\n".join(lines) + "\n")
    return 0
