"""``earwright show``: the essentials of a run in a terminal."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Subparsers

__all__ = ["add_parser", "run"]

SUMMARY = "show the essentials of a match in the terminal"
DESCRIPTION = """\
Show the essentials of a match: how far it is from the target, term by term,
both levels over time and in the attack, what is still heard, how the search
went, and the patch. Of a comparison, its figures and its verdict.
"""
EXAMPLES = """\
examples:
  earwright show runs/horn
  earwright show runs/horn --plain
"""


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser("show", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES)
    parser.add_argument("folder", metavar="FOLDER", help="folder of a match or a comparison")
    parser.add_argument(
        "--plain", action="store_true", help="draw with signs that every terminal knows"
    )


def run(arguments: argparse.Namespace) -> int:
    """Print the essentials."""
    from matcher import load_run  # noqa: PLC0415  keeps the help quick
    from matcher.report import format_run, is_comparison  # noqa: PLC0415

    if is_comparison(arguments.folder):
        from matcher.comparing import load_comparison  # noqa: PLC0415
        from matcher.texts.comparison import format_comparison  # noqa: PLC0415

        text = format_comparison(load_comparison(arguments.folder))
    else:
        is_plain = arguments.plain or not _shows_blocks()
        text = format_run(load_run(arguments.folder), is_plain=is_plain)
    sys.stdout.write(f"{text}\n")
    return 0


def _shows_blocks() -> bool:
    """Say whether the terminal's encoding has the signs."""
    try:
        "▁█".encode(sys.stdout.encoding or "ascii")
    except (LookupError, UnicodeEncodeError):
        return False
    return True
