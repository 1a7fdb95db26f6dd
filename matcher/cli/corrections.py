"""The command `correct`: takes of the dialled patch, and what to turn."""

from __future__ import annotations

import contextlib
import sys
from typing import TYPE_CHECKING

from matcher.cli._parser import Command, CommandLineError

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Parser

__all__: list[str] = []


def _options(parser: Parser) -> None:
    """Add what `correct` takes."""
    parser.add_argument("run", nargs="?", metavar="RUN", help="the run whose slip was dialled")
    parser.add_argument(
        "takes", nargs="*", metavar="TAKE", help="recordings of one note as it is dialled"
    )
    parser.add_argument(
        "--structure",
        metavar="FILE",
        help="your structure file: it remembers what the knobs really do (the old file is kept)",
    )
    parser.add_argument("--dry-run", action="store_true", help="say all this, and write nothing")
    parser.add_argument(
        "--forget", metavar="FILE", help="put back in a structure file what the panel says"
    )


def _correct(arguments: argparse.Namespace) -> int:
    """Read the takes, and print what to turn."""
    from matcher.correcting import correct, forget  # noqa: PLC0415  keeps the help quick
    from matcher.texts.correction import format_correction  # noqa: PLC0415

    if arguments.forget is not None:
        if arguments.run is not None:
            raise CommandLineError("--forget stands alone: it needs a structure file, and no run.")
        names = forget(arguments.forget)
        text = f"Forgotten: {', '.join(names)}." if names else "There was nothing to forget."
        sys.stdout.write(f"{arguments.forget}: {text}\n")
        return 0
    if arguments.run is None or not arguments.takes:
        raise CommandLineError(
            "RUN and TAKE are missing: the run whose slip was dialled, and a recording of it."
        )
    with contextlib.redirect_stdout(sys.stderr):
        found = correct(
            arguments.run,
            arguments.takes,
            structure_file=arguments.structure,
            dry_run=arguments.dry_run,
        )
    sys.stdout.write(f"{format_correction(found)}\n")
    return 2 if found.problems else 0


CORRECT = Command(
    "correct",
    "say what to turn on your instrument, from a recording of the dialled patch",
    """\
No instrument is this voice: dial the slip, play the same key as long as in the
recording, without effects, and record it. `correct` says how far your instrument
is from the target, which controls to turn, the important ones first and at most
five at a time, and which are right. Dial that, record again: takes add up, and
it learns how far each knob really moves. Takes are kept with the run. A
recording that is no take of this patch (another key, another length, effects)
is told, and nothing is changed.

With --structure FILE your structure file remembers what the knobs do, as tables
marked with where they come from, so that the next target begins there.
""",
    """\
examples:
  earwright correct runs/mine take_C4.wav
  earwright correct runs/mine take_C4_2.wav --structure my-synth.toml
  earwright correct --forget my-synth.toml
""",
    _options,
    _correct,
)
