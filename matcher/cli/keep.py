"""``earwright keep``: a name for a version of a run."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Subparsers

__all__ = ["add_parser", "run"]

SUMMARY = "give a version of a run a name"
DESCRIPTION = """\
Give a version of a run a name, under which `log` shows it, and `back`, `diff`
and `refine` find it. A version may have several names; a name stays with its
version.
"""
EXAMPLES = """\
examples:
  earwright keep runs/horn "softer front"
  earwright keep runs/horn "as matched" --version final
"""


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser("keep", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES)
    parser.add_argument("run", metavar="RUN", help="run folder")
    parser.add_argument("name", metavar="NAME", help="letters, digits, blanks, - and _")
    parser.add_argument(
        "--version", metavar="VERSION", help="number or name (default: the current state)"
    )


def run(arguments: argparse.Namespace) -> int:
    """Name the version, and print which one it is."""
    from matcher.runs import keep_version  # noqa: PLC0415  keeps the help quick

    version = keep_version(arguments.run, arguments.name, arguments.version)
    sys.stdout.write(f"Version {version.number} ({version.title}) is kept as {version.name}.\n")
    return 0
