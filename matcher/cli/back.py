"""``earwright back``: an earlier version becomes the current one."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from matcher.cli._pages import refresh_page

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Subparsers

__all__ = ["add_parser", "run"]

SUMMARY = "go back to an earlier version of a run"
DESCRIPTION = """\
Go back to an earlier version of a run: patch and sounds are those of then. What
came after it stays in the list; going back adds a version that equals the
earlier one.
"""
EXAMPLES = """\
examples:
  earwright back runs/horn final
  earwright back runs/horn 3 --note "the front was better"
"""


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser("back", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES)
    parser.add_argument("run", metavar="RUN", help="run folder")
    parser.add_argument("version", metavar="VERSION", help="number or name, start or final")
    parser.add_argument("--note", default="", metavar="TEXT", help="a note to keep with it")


def run(arguments: argparse.Namespace) -> int:
    """Go back, and print what changed."""
    from matcher.runs import find_version, go_back, list_versions  # noqa: PLC0415
    from matcher.texts.history import format_changes  # noqa: PLC0415  keeps the help quick

    before = find_version(arguments.run)
    after = go_back(arguments.run, arguments.version, note=arguments.note)
    # A patch that was edited by hand has become a version in between.
    before = list_versions(arguments.run)[-2] if after.number - before.number > 1 else before
    refresh_page(arguments.run)
    refresh_page(arguments.run)
    sys.stdout.write(
        f"{arguments.run} is back at version {after.parent}, as version {after.number}.\n\n"
        f"{format_changes(before.patch, after.patch)}\n"
    )
    return 0
