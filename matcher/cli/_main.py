"""Parsing, calling a command, and turning whatever goes wrong into a line and an exit status."""

from __future__ import annotations

import contextlib
import os
import sys
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from matcher.cli._parser import CommandLineError, Parser, make_parser
from matcher.cli.comparisons import BATCH, COMPARE
from matcher.cli.corrections import CORRECT
from matcher.cli.former import check_former
from matcher.cli.instrument import CALIBRATE, SEND_FILE, STRUCTURES
from matcher.cli.matching import MATCH, REFINE
from matcher.cli.pages import EXPLAIN, PAGE, REPORT
from matcher.cli.sounds import AUDITION, KEYBOARD, RENDER
from matcher.cli.versions import BACK, CHANGES, KEEP, SHORTEN, SUMMARY, VERSIONS
from matcher.cli.wording import as_options, one_line

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator, Sequence

    from matcher.cli._parser import Command

__all__ = ["COMMANDS", "main"]

# In the order of the help.
COMMANDS = {
    command.name: command
    for command in (
        MATCH,
        REFINE,
        SUMMARY,
        VERSIONS,
        CHANGES,
        KEEP,
        BACK,
        SHORTEN,
        REPORT,
        EXPLAIN,
        AUDITION,
        KEYBOARD,
        COMPARE,
        BATCH,
        RENDER,
        SEND_FILE,
        STRUCTURES,
        CALIBRATE,
        CORRECT,
        PAGE,
    )
}

USER_ERROR = 2
# Shells count 128 plus the number of the signal: SIGINT is 2, SIGPIPE 13.
INTERRUPTED = 130
PIPE_CLOSED = 141


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        The arguments, without the program's name; those of the process if left out.

    Returns
    -------
    int
        Exit status: 0 if all went well, 2 if something given can't be used (one line on stderr
        says what), 130 after Ctrl-C.
    """
    given = list(sys.argv[1:] if argv is None else argv)
    _allow_any_text()
    try:
        arguments, command = _parse(given)
        if command is None:
            return 0
        return _run(arguments, command)
    except CommandLineError as error:
        return _fail(str(error))
    except SystemExit as leaving:
        # argparse leaves this way after --help and --version.
        return leaving.code if isinstance(leaving.code, int) else 0
    except KeyboardInterrupt:
        return _fail("interrupted; nothing was written.", status=INTERRUPTED)
    except BrokenPipeError:
        return _close_pipe()


def _parse(given: list[str]) -> tuple[argparse.Namespace, Command | None]:
    """Read the arguments; without any, show the help."""
    parser, parsers = make_parser(tuple(COMMANDS.values()))
    if not given:
        parser.print_help()
        return parser.parse_args([]), None
    check_former(given)
    _check_command(given)
    arguments, rest = parser.parse_known_args(given)
    if rest and rest != ["--"]:
        _refuse_unknown(rest, parsers.get(arguments.command, parser))
    if arguments.command is None:
        raise CommandLineError(f"a command is missing. Commands are {', '.join(COMMANDS)}.")
    arguments.command_line = given
    return arguments, COMMANDS[arguments.command]


def _check_command(given: list[str]) -> None:
    """Refuse a command that doesn't exist; options of the program itself have no values."""
    command = next((text for text in given if not text.startswith("-")), None)
    if command is None or command in COMMANDS:
        return
    hint = _suggest(command, list(COMMANDS)) or f"Commands are {', '.join(COMMANDS)}."
    raise CommandLineError(f'there is no command "{command}". {hint}')


def _refuse_unknown(rest: list[str], parser: Parser) -> None:
    """Refuse what the command doesn't take."""
    option = next((text for text in rest if text.startswith("-")), None)
    if option is None:
        raise CommandLineError(f'"{rest[0]}" is one argument too many. See {parser.prog} --help.')
    name = option.partition("=")[0]
    hint = _suggest(name, parser.option_names()) or f"See {parser.prog} --help."
    raise CommandLineError(f"there is no option {name}. {hint}")


def _run(arguments: argparse.Namespace, command: Command) -> int:
    """Run a command, with our errors and warnings brought on one line each."""
    # numpy comes with it: now something is going to be done.
    from shared.errors import EarwrightError  # noqa: PLC0415  keeps the help quick

    try:
        with _warnings_told():
            status = command.run(arguments)
            sys.stdout.flush()
            return status
    except EarwrightError as error:
        return _fail(str(error))
    except BrokenPipeError:
        raise
    except OSError as error:
        # Such as a working folder that is gone; files of the user are checked by the library.
        reason = error.strerror or str(error)
        where = f"{error.filename}: " if error.filename else ""
        return _fail(f"{where}{reason}.")


@contextlib.contextmanager
def _warnings_told() -> Iterator[None]:
    """Show our warnings on stderr, a line each."""
    from shared.errors import EarwrightWarning  # noqa: PLC0415  keeps the help quick

    with warnings.catch_warnings():
        warnings.simplefilter("always", EarwrightWarning)
        show = warnings.showwarning

        # Python hands over message, category and where it was raised.
        def show_ours(message: Warning | str, category: type[Warning], *where: Any) -> None:  # noqa: ANN401
            if issubclass(category, EarwrightWarning):
                _complain(f"warning: {message}")
            else:
                show(message, category, *where)

        warnings.showwarning = show_ours  # type: ignore[assignment]
        yield


def _fail(message: str, *, status: int = USER_ERROR) -> int:
    """Say what was wrong, and return the exit status."""
    _complain(message)
    return status


def _complain(message: str) -> None:
    """Write one line to stderr."""
    with contextlib.suppress(OSError, ValueError):
        sys.stderr.write(f"earwright: {one_line(as_options(message))}\n")
        sys.stderr.flush()


def _suggest(name: str, known: list[str]) -> str:
    """Name known words that are spelt alike."""
    from shared.errors import suggest_names  # noqa: PLC0415  keeps the help quick

    return suggest_names(name, known)


def _allow_any_text() -> None:
    """Let a stream that can't show a sign show its code: names of files hold anything.

    Where there is no stream at all (closed by the caller), what is said goes nowhere.
    """
    if sys.stdout is None:
        sys.stdout = _nowhere()
    if sys.stderr is None:
        sys.stderr = _nowhere()
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            with contextlib.suppress(ValueError, OSError):
                reconfigure(errors="backslashreplace")


def _nowhere() -> TextIO:
    """Open a stream whose text is thrown away, until the process ends."""
    return Path(os.devnull).open("w", encoding="utf-8")


def _close_pipe() -> int:
    """Leave quietly when whoever reads our output has gone, as ``| head`` does."""
    with contextlib.suppress(OSError, ValueError):
        # Python flushes stdout once more at the end, which would complain again.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return PIPE_CLOSED
