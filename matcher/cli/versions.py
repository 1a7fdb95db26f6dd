"""The commands of a run and its versions: `summary`, `versions`, `changes`, `keep`, `back`."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

from matcher.cli._pages import refresh_page
from matcher.cli._parser import Command, CommandLineError, add_details, whole_number

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Parser

__all__: list[str] = []

# What is compared.
PAIR = 2


def _versions_options(parser: Parser) -> None:
    """Add what `versions` takes."""
    parser.add_argument("run", metavar="RUN", help="run folder")
    parser.add_argument(
        "--json", action="store_true", help="print one JSON object with all of them instead"
    )


def _versions(arguments: argparse.Namespace) -> int:
    """Print the versions."""
    from matcher.runs import find_version, list_versions  # noqa: PLC0415
    from matcher.texts.history import format_versions  # noqa: PLC0415  keeps the help quick

    find_version(arguments.run)  # says what is wrong if there are none
    versions = list_versions(arguments.run)
    if arguments.json:
        document = {"folder": arguments.run, "versions": [each.to_dict() for each in versions]}
        sys.stdout.write(f"{json.dumps(document, allow_nan=False)}\n")
    else:
        sys.stdout.write(f"{format_versions(versions)}\n")
    return 0


def _changes_options(parser: Parser) -> None:
    """Add what `changes` takes."""
    parser.add_argument("a", metavar="A", help="before: run folder or patch file")
    parser.add_argument("b", nargs="?", metavar="B", help="after; A itself if left out")
    parser.add_argument(
        "--version",
        action="append",
        default=[],
        metavar="VERSION",
        help="number or name of a version: the first one of A, the second of B (default: now)",
    )
    parser.add_argument(
        "--audio",
        metavar="FOLDER",
        help="write both as sound, at one level, into a new folder",
    )


def _changes(arguments: argparse.Namespace) -> int:
    """Compare, write sounds if they are wanted, and print."""
    from matcher.hearing.patches import difference_between, write_both  # noqa: PLC0415
    from matcher.texts.history import format_difference  # noqa: PLC0415  keeps the help quick
    from matcher.texts.match import SHORT_CAUTION  # noqa: PLC0415

    if len(arguments.version) > PAIR or (arguments.b is None and not arguments.version):
        raise CommandLineError(
            f"{len(arguments.version)} versions are given; to compare, name B, or one or two "
            "versions with --version. See earwright changes --help."
        )
    first, second = [*arguments.version, None, None][:PAIR]
    difference = difference_between(
        arguments.a, arguments.b or arguments.a, versions=(first, second)
    )
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
    parser.add_argument("--version", metavar="VERSION", help="number or name (default: now)")


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
    parser.add_argument("--comment", default="", metavar="TEXT", help="a comment to keep with it")


def _back(arguments: argparse.Namespace) -> int:
    """Go back, and print what changed."""
    from matcher.runs import find_version, go_back, list_versions  # noqa: PLC0415
    from matcher.texts.history import format_changes  # noqa: PLC0415  keeps the help quick

    before = find_version(arguments.run)
    after = go_back(arguments.run, arguments.version, note=arguments.comment)
    # A patch that was edited by hand has become a version in between.
    before = list_versions(arguments.run)[-2] if after.number - before.number > 1 else before
    refresh_page(arguments.run)
    sys.stdout.write(
        f"{arguments.run} is back at version {after.parent}, as version {after.number}.\n\n"
        f"{format_changes(before.patch, after.patch)}\n"
    )
    return 0


def _shorten_options(parser: Parser) -> None:
    """Add what `shorten` takes."""
    parser.add_argument("run", metavar="RUN", help="run folder of a match")
    parser.add_argument(
        "--settings",
        type=whole_number(1, 999, "1 or more"),
        metavar="N",
        help="so many settings, or the nearest below (default: list what there is)",
    )
    parser.add_argument("--comment", default="", metavar="TEXT", help="a comment to keep with it")


def _shorten(arguments: argparse.Namespace) -> int:
    """List the ladder, or go to one of its rungs and print what changed."""
    from matcher.runs import find_version, shorten  # noqa: PLC0415  keeps the help quick
    from matcher.runs.folder import load_run  # noqa: PLC0415
    from matcher.runs.versions import settings_title  # noqa: PLC0415
    from matcher.texts.history import format_changes  # noqa: PLC0415
    from matcher.texts.ladder import format_ladder  # noqa: PLC0415

    if arguments.settings is None:
        run = load_run(arguments.run).run
        is_whole = bool(run.get("is_ladder_whole"))
        sys.stdout.write(f"{format_ladder(run.get('ladder') or [], is_whole=is_whole)}\n")
        return 0
    before = find_version(arguments.run)
    after = shorten(arguments.run, arguments.settings, note=arguments.comment)
    rung = find_version(arguments.run, after.parent).title
    wanted = settings_title(arguments.settings)
    said = "" if rung == wanted else f"No rung has {wanted}; {rung} is the nearest. "
    refresh_page(arguments.run)
    sys.stdout.write(
        f"{said}{arguments.run} has {rung} now, as version {after.number}.\n\n"
        f"{format_changes(before.patch, after.patch)}\n"
    )
    return 0


SHORTEN = Command(
    "shorten",
    "take a shorter or longer patch of a match",
    """\
Take a shorter or a longer patch of a match: so many settings to make, or
the nearest number below. Each is the closest patch that was found with so many.
Nothing is lost: a version is added, and `earwright back` goes back. Without
--settings, list what there is, and what each patch adds to the next shorter one.
""",
    """\
examples:
  earwright shorten runs/horn
  earwright shorten runs/horn --settings 14
""",
    _shorten_options,
    _shorten,
)


def _summary_options(parser: Parser) -> None:
    """Add what `summary` takes."""
    parser.add_argument("folder", metavar="FOLDER", help="folder of a match or a comparison")
    add_details(parser)
    parser.add_argument(
        "--plain", action="store_true", help="draw details with signs that every terminal knows"
    )


def _summary(arguments: argparse.Namespace) -> int:
    """Print the essentials."""
    from matcher import load_run  # noqa: PLC0415  keeps the help quick
    from matcher.report import format_run, is_comparison  # noqa: PLC0415

    if is_comparison(arguments.folder):
        from matcher.comparing import load_comparison  # noqa: PLC0415
        from matcher.texts.comparison import format_comparison  # noqa: PLC0415

        text = format_comparison(load_comparison(arguments.folder))
    else:
        from matcher.texts.screen import format_screen  # noqa: PLC0415

        run = load_run(arguments.folder)
        text = format_screen(run, times=arguments.times)
        if arguments.details:
            is_plain = arguments.plain or not _shows_blocks()
            text = f"{text}\n\n{format_run(run, is_plain=is_plain)}"
    sys.stdout.write(f"{text}\n")
    return 0


def _shows_blocks() -> bool:
    """Say whether the terminal's encoding has the signs."""
    try:
        "▁█".encode(sys.stdout.encoding or "ascii")
    except (LookupError, UnicodeEncodeError):
        return False
    return True


VERSIONS = Command(
    "versions",
    "list the versions of a run",
    """\
List the versions of a run, the latest first: the start of the match, the end of
each stage, its end, every refinement, every value that was set, and every step
back, each with its distance from the target, the version that it came from, and
its comment.
""",
    """\
examples:
  earwright versions runs/horn
  earwright versions runs/horn --json
""",
    _versions_options,
    _versions,
)


CHANGES = Command(
    "changes",
    "say what changed between two patches, and what is heard of it",
    """\
Say what changed between two patches: the settings that differ, what that does
to the distance from the target, and which of the changes can be heard, each by
itself and all together.

With one run, --version names the version before, and a second one the version
after; without it, that is the run as it is now. The distance is that on the
notes of the run; two patch files are heard on one note, C4.
""",
    """\
examples:
  earwright changes runs/horn --version final
  earwright changes runs/horn --version 3 --version 8 --audio horn-3-8
  earwright changes brass.json brighter.json
""",
    _changes_options,
    _changes,
)


KEEP = Command(
    "keep",
    "give a version of a run a name",
    """\
Give a version of a run a name, under which `versions` shows it, and `back`,
`changes` and `refine` find it. A version may have several names; a name stays
with its version.
""",
    """\
examples:
  earwright keep runs/horn "softer attack"
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
  earwright back runs/horn 3 --comment "the attack was better"
""",
    _back_options,
    _back,
)


SUMMARY = Command(
    "summary",
    "show a match in the terminal once more",
    """\
Show a match as it was shown at its end: what was heard, what still sounds
different, what is alike, the patch, and what a shorter or longer one would be.
--details adds the distance term by term, levels over time and in the attack,
and how the search went. Of a comparison, its figures and its verdict.
""",
    """\
examples:
  earwright summary runs/horn
  earwright summary runs/horn --details --plain
  earwright summary runs/horn --times to-60-db
""",
    _summary_options,
    _summary,
)
