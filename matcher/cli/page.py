"""``earwright page``: the whole job in a browser, on this machine."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from matcher.cli._parser import whole_number

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Subparsers

__all__ = ["add_parser", "run"]

SUMMARY = "do the whole job in a browser, on this machine"
DESCRIPTION = """\
Serve a page for your own browser: give a target, match, listen, shape, keep.

Runs are those of the command line, in runs/ of the folder you start in; targets
that you give to the page are kept in earwright-page/. The page is for you alone:
it listens on this machine only, and its address holds a key.

A search goes on when the window or this server is closed; the next
`earwright page` in the same folder finds it again. Ctrl-C ends the server.
"""
EXAMPLES = """\
examples:
  earwright page
  earwright page songs/overture --port 8765
  earwright page --no-browser
"""


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser("page", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES)
    parser.add_argument(
        "folder", nargs="?", default=".", metavar="FOLDER", help="folder to work in (default: .)"
    )
    parser.add_argument(
        "--port",
        type=whole_number(0, 65_535, "a whole number from 0 to 65535"),
        default=0,
        metavar="N",
        help="port (default: a free one)",
    )
    parser.add_argument(
        "--host",
        default="127.0.0.1",
        metavar="ADDRESS",
        help="address to listen on (default: %(default)s); another one lets other machines in "
        "that know the key, unencrypted",
    )
    parser.add_argument(
        "--no-browser", action="store_true", help="print the address, open nothing"
    )


def run(arguments: argparse.Namespace) -> int:
    """Serve until Ctrl-C."""
    from matcher.page import Workspace, serve  # noqa: PLC0415  keeps the help quick

    def announce(address: str) -> None:
        sys.stdout.write(f"{address}\n")
        sys.stdout.flush()

    serve(
        Workspace(arguments.folder),
        host=arguments.host,
        port=arguments.port,
        opens_browser=not arguments.no_browser,
        announce=announce,
    )
    return 0
