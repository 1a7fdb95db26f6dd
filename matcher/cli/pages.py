"""The commands that make or serve pages, and what explains a run: `report`, `explain`, `page`."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

from matcher.cli._pages import refresh_page
from matcher.cli._parser import Command, number, whole_number

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Parser

__all__: list[str] = []


def _report_options(parser: Parser) -> None:
    """Add what `report` takes."""
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


def _report(arguments: argparse.Namespace) -> int:
    """Write the report, and print the names of the files."""
    from matcher.report import write_plots, write_report  # noqa: PLC0415  keeps the help quick

    paths = [write_report(arguments.folder)]
    if arguments.plots is not None:
        formats = ("png", "svg") if arguments.plots == "both" else (arguments.plots,)
        theme = "dark" if arguments.dark else "light"
        paths += write_plots(arguments.folder, formats=formats, theme=theme)
    sys.stdout.write("".join(f"{path}\n" for path in paths))
    return 0


def _explain_options(parser: Parser) -> None:
    """Add what `explain` takes."""
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


def _explain(arguments: argparse.Namespace) -> int:
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


def _page_options(parser: Parser) -> None:
    """Add what `page` takes."""
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


def _page(arguments: argparse.Namespace) -> int:
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


REPORT = Command(
    "report",
    "write a page with sounds, pictures and the patch sheet",
    """\
Write report.html into the folder of a match or of a comparison: one page that
opens in any browser, offline, with both sounds to hear against each other,
what is close and what is not, pictures, and a patch sheet that prints on one
page.

A match writes its report by itself; write it anew after `earwright explain`,
a refinement or a change by hand. --plots writes the pictures as files, too.
""",
    """\
examples:
  earwright report runs/horn
  earwright report runs/horn --plots
  earwright report runs/horn --plots svg --dark
""",
    _report_options,
    _report,
)


EXPLAIN = Command(
    "explain",
    "say what mattered: which parts, where, how exactly, in which order",
    """\
Say what mattered in a match: the order in which to build the patch, what each
part brings and where it is heard, what can stand in for it, how exactly each
control has to stand, and which parameters explain the search.

Results go to explain.json in the run folder and into its report, the sound
after each step of the build order to build/. It takes as long as the match did,
and five seconds at least. Ctrl-C ends it; what was found until then is kept,
and so is what an earlier explanation of the same patch found.
""",
    """\
examples:
  earwright explain runs/horn
  earwright explain runs/horn --seconds 120
  earwright explain runs/horn --json
""",
    _explain_options,
    _explain,
)


PAGE = Command(
    "page",
    "do the whole job in a browser, on this machine",
    """\
Serve a page for your own browser: give a target, match, listen, shape, keep.

Runs are those of the command line, in runs/ of the folder you start in; targets
that you give to the page are kept in earwright-page/. The page is for you alone:
it listens on this machine only, and its address holds a key.

A search goes on when the window or this server is closed; the next
`earwright page` in the same folder finds it again. Ctrl-C ends the server.
""",
    """\
examples:
  earwright page
  earwright page songs/overture --port 8765
  earwright page --no-browser
""",
    _page_options,
    _page,
)
