"""``earwright log``: the versions of a run."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Subparsers

__all__ = ["add_parser", "run"]

SUMMARY = "list the versions of a run"
DESCRIPTION = """\
List the versions of a run, the latest first: the start of the match, the end of
each stage, its end, every refinement, every value that was set, and every step
back, each with its loss, the version that it came from, and its note.
"""
EXAMPLES = """\
examples:
  earwright log runs/horn
  earwright log runs/horn --json
"""


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser("log", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES)
    parser.add_argument("run", metavar="RUN", help="run folder")
    parser.add_argument(
        "--json", action="store_true", help="print one JSON object with all of them instead"
    )


def run(arguments: argparse.Namespace) -> int:
    """Print the versions."""
    from matcher.runs import find_version, list_versions  # noqa: PLC0415
    from matcher.texts.history import format_log  # noqa: PLC0415  keeps the help quick

    find_version(arguments.run)  # says what is wrong if there are none
    versions = list_versions(arguments.run)
    if arguments.json:
        document = {"folder": arguments.run, "versions": [each.to_dict() for each in versions]}
        sys.stdout.write(f"{json.dumps(document, allow_nan=False)}\n")
    else:
        sys.stdout.write(f"{format_log(versions)}\n")
    return 0
