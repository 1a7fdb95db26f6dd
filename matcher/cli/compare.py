"""``earwright compare``: the same targets with several structures, side by side."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from matcher.cli._parser import CommandLineError
from matcher.cli._runs import add_place_options, add_search_options, carry_out, run_settings

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Subparsers

__all__ = ["add_parser", "run"]

N_SEEDS = 5
SUMMARY = "set structures side by side on the same targets"
DESCRIPTION = """\
Match the same targets with several structures and say what the runs show: is
one oscillator enough, what does a pitch envelope bring, will the plainer
instrument do.

Every structure gets the same targets, budget and seeds. A recording is a
target; a manifest gives one for each instrument, and one for each note without
an instrument. The verdict sets the other structures against the first.

Finished runs are kept and never repeated. Ctrl-C ends the work at any moment;
the same command with --out, or --resume FOLDER, does what is missing. More
targets, structures or seeds may be added.
"""
EXAMPLES = """\
examples:
  earwright compare horn_C4.flac -s two-oscillator -s complete --seconds 20
  earwright compare C3.flac C4.flac -s one-oscillator -s mine.toml --out trial
  earwright compare --resume trial
  earwright compare horn_C4.flac -s two-oscillator -s complete --evals 8000 \\
      --cluster tcp://desk:8786

`earwright structures` lists the structures.
"""


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "compare", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES
    )
    parser.add_argument(
        "targets", nargs="*", metavar="TARGET", help="a recording, or a manifest (.toml)"
    )
    parser.add_argument(
        "-s",
        "--structure",
        action="append",
        metavar="NAME",
        help="name of a structure, or path of a .toml file; give it several times, the one to "
        "measure the others by first",
    )
    parser.add_argument(
        "--resume", metavar="FOLDER", help="do what is missing of an earlier comparison or batch"
    )
    add_search_options(parser, n_seeds=N_SEEDS)
    add_place_options(parser)


def run(arguments: argparse.Namespace) -> int:
    """Compare, and print what came out."""
    from matcher import compare, continue_comparison  # noqa: PLC0415  keeps the help quick
    from matcher.texts.comparison import format_comparison  # noqa: PLC0415

    if arguments.resume is not None:
        _check_alone(arguments)
        work = partial(continue_comparison, arguments.resume)
    else:
        _check_given(arguments)
        settings = run_settings(arguments, n_seeds=N_SEEDS)
        work = partial(compare, arguments.targets, arguments.structure, **settings)
    return carry_out(arguments, work, format_comparison)


def _check_alone(arguments: argparse.Namespace) -> None:
    """Refuse what the earlier comparison has settled."""
    settled = {
        "a target": arguments.targets,
        "--structure": arguments.structure,
        "--seeds": arguments.seeds,
        "--seconds": arguments.seconds,
        "--evals": arguments.evals,
        "--threshold": arguments.threshold,
        "--weights": arguments.weights,
        "--weight": arguments.weight,
        "--out": arguments.out,
    }
    for name, value in settled.items():
        if value:
            raise CommandLineError(
                f"--resume goes on with what {arguments.resume} holds, and {name} is given; leave "
                "it out, or give the whole command with --out and without --resume."
            )


def _check_given(arguments: argparse.Namespace) -> None:
    """Ask for what is needed."""
    if not arguments.targets:
        raise CommandLineError(
            "TARGET is missing; a recording or a manifest is needed. See earwright compare --help."
        )
    if not arguments.structure:
        raise CommandLineError(
            "--structure is missing; name at least one, better two or more: -s two-oscillator "
            "-s complete. `earwright structures` lists them."
        )
