"""``earwright explain``: what mattered in a match."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

from matcher.cli._pages import refresh_page
from matcher.cli._parser import number

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Subparsers

__all__ = ["add_parser", "run"]

SUMMARY = "say what mattered: which parts, where, how exactly, in which order"
DESCRIPTION = """\
Say what mattered in a match: the order in which to build the patch, what each
part brings and where it is heard, what can stand in for it, how exactly each
control has to stand, and which parameters explain the search.

Results go to explain.json in the run folder and into its report, the sound
after each step of the build order to build/. It takes as long as the match did,
and five seconds at least. Ctrl-C ends it; what was found until then is kept,
and so is what an earlier explanation of the same patch found.
"""
EXAMPLES = """\
examples:
  earwright explain runs/horn
  earwright explain runs/horn --seconds 120
  earwright explain runs/horn --json
"""


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "explain", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES
    )
    parser.add_argument("folder", metavar="RUN", help="folder of a match")
    parser.add_argument(
        "--seconds",
        type=number(0.0, 86_400.0, "above 0 and up to 86400 s", above=True),
        metavar="S",
        help="time to spend (default: as long as the match took, at least 5)",
    )
    output = parser.add_mutually_exclusive_group()
    output.add_argument(
        "--quiet", action="store_true", help="print the file's name and nothing else"
    )
    output.add_argument("--json", action="store_true", help="print one JSON object instead")


def run(arguments: argparse.Namespace) -> int:
    """Explain, and print what was found."""
    from pathlib import Path  # noqa: PLC0415  keeps the help quick

    from matcher import explain  # noqa: PLC0415
    from matcher.explaining.model import EXPLAIN_FILE  # noqa: PLC0415
    from matcher.interrupts import StopRequest  # noqa: PLC0415
    from matcher.texts.explanation import format_explanation  # noqa: PLC0415

    with StopRequest() as request:
        explanation = explain(
            arguments.folder,
            seconds=arguments.seconds,
            # A bar drawn into a log file is a mess.
            progress=not (arguments.quiet or arguments.json) and sys.stderr.isatty(),
            stop=request,
        )
    refresh_page(arguments.folder)
    if arguments.json:
        sys.stdout.write(f"{json.dumps(explanation.to_dict(), allow_nan=False)}\n")
    elif arguments.quiet:
        sys.stdout.write(f"{Path(arguments.folder) / EXPLAIN_FILE}\n")
    else:
        sys.stdout.write(f"{format_explanation(explanation, arguments.folder)}\n")
    return request.exit_status
