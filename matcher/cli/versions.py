"""The commands of a run and its versions: `log`, `diff`, `keep`, `back`, `show`."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

from matcher.cli._pages import refresh_page
from matcher.cli._parser import Command

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Parser

__all__: list[str] = []


def _log_options(parser: Parser) -> None:
    """Add what `log` takes."""
    parser.add_argument("run", metavar="RUN", help="run folder")
    parser.add_argument(
        "--json", action="store_true", help="print one JSON object with all of them instead"
    )


def _log(arguments: argparse.Namespace) -> int:
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


def _diff_options(parser: Parser) -> None:
    """Add what `diff` takes."""
    for name, when in (("a", "before"), ("b", "after")):
        parser.add_argument(
            name, metavar=name.upper(), help=f"{when}: RUN, RUN@VERSION or patch file"
        )
    parser.add_argument(
        "--audio",
        metavar="FOLDER",
        help="write both as sound, at one level, into a new folder",
    )


def _diff(arguments: argparse.Namespace) -> int:
    """Compare, write sounds if they are wanted, and print."""
    from matcher.hearing.patches import difference_between, write_both  # noqa: PLC0415
    from matcher.texts.history import format_difference  # noqa: PLC0415  keeps the help quick
    from matcher.texts.match import SHORT_CAUTION  # noqa: PLC0415

    difference = difference_between(arguments.a, arguments.b)
    written = write_both(difference, arguments.audio) if arguments.audio else ()
    sys.stdout.write(f"{format_difference(difference)}\n")
    if written:
        lines = ["Sounds", *(f"  {path}" for path in written), SHORT_CAUTION]
        sys.stdout.write("\n" + "\n".join(lines) + "\n")
    return 0


def _keep_options(parser: Parser) -> None:
    """Add what `keep` takes."""
    parser.add_argument("run", metavar="RUN", help="run folder")
    parser.add_argument("name", metavar="NAME", help="letters, digits, blanks, - and _")
    parser.add_argument(
        "--version", metavar="VERSION", help="number or name (default: the current state)"
    )


def _keep(arguments: argparse.Namespace) -> int:
    """Name the version, and print which one it is."""
    from matcher.runs import keep_version  # noqa: PLC0415  keeps the help quick

    version = keep_version(arguments.run, arguments.name, arguments.version)
    sys.stdout.write(f"Version {version.number} ({version.title}) is kept as {version.name}.\n")
    return 0


def _back_options(parser: Parser) -> None:
    """Add what `back` takes."""
    parser.add_argument("run", metavar="RUN", help="run folder")
    parser.add_argument("version", metavar="VERSION", help="number or name, start or final")
    parser.add_argument("--note", default="", metavar="TEXT", help="a note to keep with it")


def _back(arguments: argparse.Namespace) -> int:
    """Go back, and print what changed."""
    from matcher.runs import find_version, go_back, list_versions  # noqa: PLC0415
    from matcher.texts.history import format_changes  # noqa: PLC0415  keeps the help quick

    before = find_version(arguments.run)
    after = go_back(arguments.run, arguments.version, note=arguments.note)
    # A patch that was edited by hand has become a version in between.
    before = list_versions(arguments.run)[-2] if after.number - before.number > 1 else before
    refresh_page(arguments.run)
    sys.stdout.write(
        f"{arguments.run} is back at version {after.parent}, as version {after.number}.\n\n"
        f"{format_changes(before.patch, after.patch)}\n"
    )
    return 0


def _show_options(parser: Parser) -> None:
    """Add what `show` takes."""
    parser.add_argument("folder", metavar="FOLDER", help="folder of a match or a comparison")
    parser.add_argument(
        "--plain", action="store_true", help="draw with signs that every terminal knows"
    )


def _show(arguments: argparse.Namespace) -> int:
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


LOG = Command(
    "log",
    "list the versions of a run",
    """\
List the versions of a run, the latest first: the start of the match, the end of
each stage, its end, every refinement, every value that was set, and every step
back, each with its loss, the version that it came from, and its note.
""",
    """\
examples:
  earwright log runs/horn
  earwright log runs/horn --json
""",
    _log_options,
    _log,
)


DIFF = Command(
    "diff",
    "say what differs between two patches, and what is heard of it",
    """\
Say what differs between two patches: the changed parameters in user units, the
change of each term of the loss, and which of the changes can be heard, each by
itself and all together.

A patch is a run folder (its current state), a version of it (RUN@VERSION, with
a number or a name), or a patch file. The loss is that on the notes of the run;
two patch files are heard on one note, C4.
""",
    """\
examples:
  earwright diff runs/horn@final runs/horn
  earwright diff runs/horn@3 runs/horn@8 --audio horn-3-8
  earwright diff brass.json brighter.json
""",
    _diff_options,
    _diff,
)


KEEP = Command(
    "keep",
    "give a version of a run a name",
    """\
Give a version of a run a name, under which `log` shows it, and `back`, `diff`
and `refine` find it. A version may have several names; a name stays with its
version.
""",
    """\
examples:
  earwright keep runs/horn "softer front"
  earwright keep runs/horn "as matched" --version final
""",
    _keep_options,
    _keep,
)


BACK = Command(
    "back",
    "go back to an earlier version of a run",
    """\
Go back to an earlier version of a run: patch and sounds are those of then. What
came after it stays in the list; going back adds a version that equals the
earlier one.
""",
    """\
examples:
  earwright back runs/horn final
  earwright back runs/horn 3 --note "the front was better"
""",
    _back_options,
    _back,
)


SHOW = Command(
    "show",
    "show the essentials of a match in the terminal",
    """\
Show the essentials of a match: how far it is from the target, term by term,
both levels over time and in the attack, what is still heard, how the search
went, and the patch. Of a comparison, its figures and its verdict.
""",
    """\
examples:
  earwright show runs/horn
  earwright show runs/horn --plain
""",
    _show_options,
    _show,
)
