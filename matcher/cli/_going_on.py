"""The options that go on with a search, for the commands that search."""

from __future__ import annotations

import contextlib
import sys
from typing import TYPE_CHECKING

from matcher.cli._parser import CommandLineError

if TYPE_CHECKING:
    import argparse

__all__: list[str] = []

GROUP_TEXT = """\
All settings are those of the search; give none again.
"""
# What may stand beside --resume and --extend.
_BESIDE = frozenset(
    {"command", "command_line", "going_on", "resume", "extend", "quiet", "json", "no_report"}
)


def add_going_on(parser: argparse.ArgumentParser, command: str) -> None:
    """Add ``--resume`` and ``--extend``."""
    group = parser.add_argument_group("going on", GROUP_TEXT)
    group.add_argument(
        "--resume",
        metavar="RUN",
        help="go on with the search of this run folder after Ctrl-C, a crash or a full disk",
    )
    group.add_argument(
        "--extend",
        metavar="RUN",
        help="the same with a larger budget, also after its end: --seconds or --evals are added",
    )
    parser.set_defaults(going_on=(command, parser))


def check_going_on(arguments: argparse.Namespace, given: object, what: str) -> None:
    """Refuse what doesn't go together with going on; without it, something to search for."""
    run = arguments.resume or arguments.extend
    if not run:
        if not given:
            raise CommandLineError(
                f"{what} is missing. See earwright {arguments.going_on[0]} --help."
            )
        return
    if arguments.resume and arguments.extend:
        raise CommandLineError("--extend can't stand beside --resume; give one.")
    option = "--resume" if arguments.resume else "--extend"
    allowed = _BESIDE | ({"seconds", "evals"} if arguments.extend else set())
    parser = arguments.going_on[1]
    for name, value in vars(arguments).items():
        is_given = value not in (None, [], parser.get_default(name))
        if is_given and name not in allowed:
            written = what if value is given else f"--{name.replace('_', '-')}"
            raise CommandLineError(
                f"{written} can't stand beside {option}; the settings of the search stay as they "
                "are. Leave it out."
            )
    if arguments.extend and arguments.seconds is None and arguments.evals is None:
        raise CommandLineError("--extend needs --seconds or --evals, which is what is added.")


def announce_stop() -> None:
    """Say at once that Ctrl-C was heard; the batch at work is finished first."""
    # A signal may come in the middle of another write to stderr, which Python refuses to nest.
    with contextlib.suppress(RuntimeError):
        sys.stderr.write("\nearwright: stopping; the best patch so far will be written.\n")
