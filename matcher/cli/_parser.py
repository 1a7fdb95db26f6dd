"""The argument parser and the kinds of values that several commands take."""

from __future__ import annotations

import argparse
import math
import re
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, NoReturn, TypeVar

from matcher.cli.wording import one_line

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

__all__: list[str] = []

Value = TypeVar("Value")

DESCRIPTION = """\
From a recording of the wanted sound to a patch for a subtractive synthesizer.
"""
EXAMPLES = """\
examples:
  earwright match horn_C4.flac                 find a patch, good defaults
  earwright render runs/horn_C4-standard-1 --pitch C5 --out c5.wav
  earwright compare horn_C4.flac -s two-oscillator -s standard
  earwright structures                         which voices can be matched

words:
  distance             how far the patch is from the recording: 0 is identical
  attack               the first 150 ms
  held part, release   while the key is down, and after it is let go
  key held             from the start of the note until the key is let go
  movement             what changes while the note sounds: vibrato, beating
  brightness           the middle of the spectrum, in Hz
  spectrum difference  mean difference of the bands of the spectrum, in dB
  dBFS peak            the highest sample against the largest that a file holds
  structure            which parts the voice has, and how a panel counts
  try                  one set of settings, played and compared
  tolerance            how far a control may stand off before it is heard
  seed                 what draws the search: the same one, the same patch

`earwright COMMAND --help` shows options and examples of each command.
"""


@dataclass(frozen=True)
class Command:
    """A command: what its help says, what adds its options to a parser, and what runs it."""

    name: str
    summary: str
    description: str
    examples: str
    add_options: Callable[[Parser], None]
    run: Callable[[argparse.Namespace], int]


class CommandLineError(Exception):
    """The arguments can't be understood; the text is for the user."""


class Parser(argparse.ArgumentParser):
    """A parser that takes no abbreviations, and raises instead of leaving."""

    def __init__(self, **options: object) -> None:
        options.setdefault("allow_abbrev", False)
        options.setdefault("formatter_class", argparse.RawDescriptionHelpFormatter)
        super().__init__(**options)  # type: ignore[arg-type]

    def error(self, message: str) -> NoReturn:
        """Raise with our wording of what argparse says."""
        text = one_line(message).removeprefix("argument ")
        text = re.sub(r"not allowed with argument (\S+)", r"can't stand beside \1; give one", text)
        if text.startswith("the following arguments are required: "):
            missing = text.partition(": ")[2]
            text = f"{missing} is missing"
        # Our own texts say what must be; argparse's don't.
        hint = "" if "; " in text or " must be " in text else f" See {self.prog} --help."
        raise CommandLineError(f"{text.rstrip('.')}.{hint}")

    def option_of(self, destination: str) -> str:
        """Give the long option that sets an argument."""
        options = (a.option_strings for a in self._actions if a.dest == destination)
        return next((names[-1] for names in options if names), destination)

    def option_names(self) -> list[str]:
        """List the long options."""
        return sorted(set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", self.format_usage())))


class _Version(argparse.Action):
    """``--version``, with the version looked up when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        """Print the version and leave."""
        from importlib import metadata  # noqa: PLC0415  takes a tenth of the time of the help

        try:
            version = metadata.version("earwright")
        except metadata.PackageNotFoundError:
            version = "(not installed; run from its folder)"
        sys.stdout.write(f"earwright {version}\n")
        parser.exit()


def make_parser(commands: Sequence[Command]) -> tuple[Parser, dict[str, Parser]]:
    """Make the parser, and those of the commands by name."""
    parser = Parser(prog="earwright", description=DESCRIPTION, epilog=EXAMPLES)
    parser.add_argument(
        "-V", "--version", action=_Version, nargs=0, help="print the version and leave"
    )
    subparsers = parser.add_subparsers(
        title="commands", dest="command", metavar="COMMAND", parser_class=Parser
    )
    for command in commands:
        command.add_options(
            subparsers.add_parser(
                command.name,
                help=command.summary,
                description=command.description,
                epilog=command.examples,
            )
        )
    return parser, dict(subparsers.choices)


def number(low: float, high: float, wanted: str, *, above: bool = False) -> Callable[[str], float]:
    """Make a reader of finite numbers from `low` (or above it) to `high`."""

    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        # Comparisons with NaN are false.
        is_in_range = (value > low if above else value >= low) and value <= high
        if not is_in_range:
            raise argparse.ArgumentTypeError(f'"{text}" must be {wanted}')
        return value

    return read


def whole_number(low: int, high: int, wanted: str) -> Callable[[str], int]:
    """Make a reader of whole numbers."""

    def read(text: str) -> int:
        # int() takes blanks, underlines and other scripts' digits, which are slips here.
        value = int(text) if re.fullmatch(r"[+-]?\d{1,18}", text, re.ASCII) else None
        if value is None or not low <= value <= high:
            raise argparse.ArgumentTypeError(f'"{text}" must be {wanted}')
        return value

    return read


def pitch(text: str) -> float:
    """Read a pitch."""
    from shared import EarwrightError, parse_pitch  # noqa: PLC0415  keeps the help quick

    try:
        return parse_pitch(text)
    except EarwrightError as error:
        needed = str(error).partition("; ")[2] or str(error)
        raise argparse.ArgumentTypeError(f'"{text}" is not understood; {needed}') from error


velocity = whole_number(1, 127, "a whole number from 1 to 127")
gate_s = number(0.0, 60.0, "above 0 and up to 60 s", above=True)
seed = whole_number(0, 2**32 - 1, "a whole number from 0 to 4294967295")


def add_budget(group: argparse._ArgumentGroup, default: str) -> None:
    """Add ``--seconds`` and ``--tries``."""
    budget = group.add_mutually_exclusive_group()
    budget.add_argument(
        "--seconds",
        type=number(0.0, 86_400.0, "above 0 and up to 86400 s", above=True),
        metavar="S",
        help=f"search for so long (default: {default})",
    )
    budget.add_argument(
        "--tries",
        dest="evals",
        type=whole_number(1, 100_000_000, "a whole number from 1 to 100000000"),
        metavar="N",
        help="or this many tries: patches that are played and compared",
    )


def add_details(parser: argparse._ActionsContainer) -> None:
    """Add ``--details`` and ``--times``."""
    parser.add_argument(
        "--details",
        action="store_true",
        help="print the figures of the search, all terms and the names of parameters, too",
    )
    parser.add_argument(
        "--times",
        choices=("to-10-percent", "to-60-db", "time-constant"),
        default="",
        metavar="HOW",
        help="how decay and release count: to-10-percent (as most panels do), to-60-db, "
        "time-constant",
    )


def add_version(parser: argparse.ArgumentParser) -> None:
    """Add ``--version``."""
    parser.add_argument(
        "--version",
        metavar="VERSION",
        help="number or name of a version of the run (default: now)",
    )


def one_or_list(read: Callable[[str], Value]) -> Callable[[str], list[Value | None]]:
    """Make a reader of values with commas between them; an empty place stays open."""

    def read_list(text: str) -> list[Value | None]:
        return [read(piece.strip()) if piece.strip() else None for piece in text.split(",")]

    return read_list
