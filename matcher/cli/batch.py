"""``earwright batch``: a whole library of targets, each matched on its own."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from matcher.cli._runs import add_place_options, add_search_options, carry_out, run_settings
from matcher.defaults import DEFAULT_STRUCTURE

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Subparsers

__all__ = ["add_parser", "run"]

N_SEEDS = 1
SUMMARY = "match a whole library of targets"
DESCRIPTION = """\
Match every target of a manifest: one patch for each instrument, and one for
each note without an instrument.

The best run of each target is kept as a whole run folder with its sounds.
Targets that can't be matched are named at the end and hold nothing up. Finished
runs are never repeated: Ctrl-C ends the work at any moment, and the same
command with --out, or `earwright compare --resume FOLDER`, goes on.
"""
EXAMPLES = """\
examples:
  earwright batch targets/manifest.toml --out runs/library
  earwright batch targets/manifest.toml -s two-oscillator --seeds 3 --seconds 60
  earwright batch library.toml --out runs/library --cluster tcp://desk:8786
"""


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser("batch", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES)
    parser.add_argument("manifest", metavar="MANIFEST", help="a .toml file that lists notes")
    parser.add_argument(
        "-s",
        "--structure",
        action="append",
        metavar="NAME",
        help="name of a structure, or path of a .toml file; may be given several times "
        f"(default: {DEFAULT_STRUCTURE})",
    )
    add_search_options(parser, n_seeds=N_SEEDS)
    add_place_options(parser)


def run(arguments: argparse.Namespace) -> int:
    """Match all targets, and print how they came out."""
    from matcher import batch  # noqa: PLC0415  keeps the help quick
    from matcher.texts.comparison import format_batch  # noqa: PLC0415

    structures = arguments.structure or [DEFAULT_STRUCTURE]
    settings = run_settings(arguments, n_seeds=N_SEEDS)
    return carry_out(
        arguments, partial(batch, arguments.manifest, structures, **settings), format_batch
    )
