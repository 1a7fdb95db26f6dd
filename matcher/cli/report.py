"""``earwright report``: one page with sounds, pictures and the patch sheet."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Subparsers

__all__ = ["add_parser", "run"]

SUMMARY = "write a page with sounds, pictures and the patch sheet"
DESCRIPTION = """\
Write report.html into the folder of a match or of a comparison: one page that
opens in any browser, offline, with both sounds to hear against each other,
what is close and what is not, pictures, and a patch sheet that prints on one
page.

A match writes its report by itself; write it anew after `earwright explain`,
a refinement or a change by hand. --plots writes the pictures as files, too.
"""
EXAMPLES = """\
examples:
  earwright report runs/horn
  earwright report runs/horn --plots
  earwright report runs/horn --plots svg --dark
"""


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "report", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES
    )
    parser.add_argument("folder", metavar="FOLDER", help="folder of a match or a comparison")
    parser.add_argument(
        "--plots",
        nargs="?",
        const="both",
        choices=("png", "svg", "both"),
        metavar="KIND",
        help="write the pictures into FOLDER/plots: png, svg or both (default: both)",
    )
    parser.add_argument(
        "--dark", action="store_true", help="pictures for a dark background (with --plots)"
    )


def run(arguments: argparse.Namespace) -> int:
    """Write the report, and print the names of the files."""
    from matcher.report import write_plots, write_report  # noqa: PLC0415  keeps the help quick

    paths = [write_report(arguments.folder)]
    if arguments.plots is not None:
        formats = ("png", "svg") if arguments.plots == "both" else (arguments.plots,)
        theme = "dark" if arguments.dark else "light"
        paths += write_plots(arguments.folder, formats=formats, theme=theme)
    sys.stdout.write("".join(f"{path}\n" for path in paths))
    return 0
