"""The commands that do many runs: `compare` and `batch`."""

from __future__ import annotations

import contextlib
import json
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matcher.cli._options import add_weight_options, chosen_weights
from matcher.cli._pages import write_page
from matcher.cli._parser import Command, CommandLineError, number, whole_number
from matcher.defaults import DEFAULT_STRUCTURE

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

    from matcher.cli._parser import Parser
    from matcher.comparing import Comparison

__all__: list[str] = []

CAN_T = 2


def add_search_options(parser: argparse.ArgumentParser, *, n_seeds: int) -> None:
    """Add what every run is told."""
    search = parser.add_argument_group("runs")
    search.add_argument(
        "--seeds",
        type=whole_number(1, 10_000, "a whole number from 1 to 10000"),
        metavar="N",
        help=f"runs of each target with each structure (default: {n_seeds})",
    )
    budget = search.add_mutually_exclusive_group()
    budget.add_argument(
        "--seconds",
        type=number(0.0, 86_400.0, "above 0 and up to 86400 s", above=True),
        metavar="S",
        help="search for so long in each run (default: 30)",
    )
    budget.add_argument(
        "--tries",
        dest="evals",
        type=whole_number(1, 100_000_000, "a whole number from 1 to 100000000"),
        metavar="N",
        help="or this many tries in each; the same on every machine",
    )
    search.add_argument(
        "--threshold",
        type=number(0.0, 1e6, "a distance above 0", above=True),
        action="append",
        metavar="D",
        help="tell how soon this distance is reached; may be given several times (default: ten "
        "from 10 to 1)",
    )
    add_weight_options(search)


def add_place_options(parser: argparse.ArgumentParser) -> None:
    """Add where runs are done, and what comes out."""
    place = parser.add_argument_group("where")
    where = place.add_mutually_exclusive_group()
    where.add_argument(
        "--processes",
        type=whole_number(1, 4096, "a whole number from 1 to the number of cores"),
        metavar="N",
        help="runs at a time on this machine (default: one for each core)",
    )
    where.add_argument(
        "--cluster",
        metavar="ADDRESS",
        help="do the runs on the workers of a Dask scheduler, such as tcp://HOST:8786",
    )
    output = parser.add_argument_group("output")
    output.add_argument(
        "--out", metavar="FOLDER", help="where everything is kept (default: a new one in runs)"
    )
    output.add_argument(
        "--quiet", action="store_true", help="print the folder's name and nothing else"
    )
    output.add_argument("--json", action="store_true", help="print one JSON object instead")


def run_settings(arguments: argparse.Namespace, *, n_seeds: int) -> dict[str, Any]:
    """Collect what the library is told about the runs."""
    return {
        "seeds": n_seeds if arguments.seeds is None else arguments.seeds,
        "seconds": arguments.seconds,
        "evals": arguments.evals,
        "thresholds": arguments.threshold,
        "weights": chosen_weights(arguments),
        "folder": arguments.out,
    }


def carry_out(
    arguments: argparse.Namespace,
    work: Callable[..., Comparison],
    show: Callable[[Comparison], str],
) -> int:
    """Do the runs, print what came out, and return the exit status."""
    from matcher.interrupts import StopRequest  # noqa: PLC0415  keeps the help quick

    with StopRequest(_announce_stop) as request, contextlib.redirect_stdout(sys.stderr):
        comparison = work(
            n_processes=arguments.processes,
            cluster=arguments.cluster,
            # A bar drawn into a log file is a mess.
            progress=not arguments.quiet and sys.stderr.isatty(),
            stop=request,
        )
    from matcher.texts.comparison import has_page  # noqa: PLC0415  keeps the help quick

    if has_page(comparison):
        write_page(comparison.folder)
    _print(arguments, comparison, show)
    return request.exit_status or _told_failures(comparison)


def _print(
    arguments: argparse.Namespace, comparison: Comparison, show: Callable[[Comparison], str]
) -> None:
    """Print the result in the form that was asked for."""
    if arguments.json:
        text = (comparison.folder / "compare.json").read_text(encoding="utf-8")
        document = {"folder": str(comparison.folder), **json.loads(text)}
        sys.stdout.write(f"{json.dumps(document, allow_nan=False)}\n")
    elif arguments.quiet:
        sys.stdout.write(f"{comparison.folder}\n")
    else:
        sys.stdout.write(f"{show(comparison)}\n")


def _told_failures(comparison: Comparison) -> int:
    """Say on stderr which targets can't be matched; the exit status says so, too."""
    names = sorted({failed.target for failed in comparison.failed})
    if not names:
        return 0
    first = next(failed.message for failed in comparison.failed if failed.target == names[0])
    others = f" {len(names) - 1} more can't, either." if len(names) > 1 else ""
    where = Path(comparison.folder) / "failed.csv"
    sys.stderr.write(f"earwright: {names[0]} can't be matched: {first}{others} See {where}.\n")
    return CAN_T


def _announce_stop() -> None:
    """Say at once that Ctrl-C was heard."""
    # A signal may come in the middle of another write to stderr, which Python refuses to nest.
    with contextlib.suppress(RuntimeError):
        sys.stderr.write("\nearwright: stopping; finished runs are kept.\n")


COMPARE_N_SEEDS = 5


def _compare_options(parser: Parser) -> None:
    """Add what `compare` takes."""
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
    add_search_options(parser, n_seeds=COMPARE_N_SEEDS)
    add_place_options(parser)


def _compare(arguments: argparse.Namespace) -> int:
    """Compare, and print what came out."""
    from matcher import compare, continue_comparison  # noqa: PLC0415  keeps the help quick
    from matcher.texts.comparison import format_comparison  # noqa: PLC0415

    if arguments.resume is not None:
        _check_alone(arguments)
        work = partial(continue_comparison, arguments.resume)
    else:
        _check_given(arguments)
        settings = run_settings(arguments, n_seeds=COMPARE_N_SEEDS)
        work = partial(compare, arguments.targets, arguments.structure, **settings)
    return carry_out(arguments, work, format_comparison)


def _check_alone(arguments: argparse.Namespace) -> None:
    """Refuse what the earlier comparison has settled."""
    settled = {
        "a target": arguments.targets,
        "--structure": arguments.structure,
        "--seeds": arguments.seeds,
        "--seconds": arguments.seconds,
        "--tries": arguments.evals,
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


BATCH_N_SEEDS = 1


def _batch_options(parser: Parser) -> None:
    """Add what `batch` takes."""
    parser.add_argument("manifest", metavar="MANIFEST", help="a .toml file that lists notes")
    parser.add_argument(
        "-s",
        "--structure",
        action="append",
        metavar="NAME",
        help="name of a structure, or path of a .toml file; may be given several times "
        f"(default: {DEFAULT_STRUCTURE})",
    )
    add_search_options(parser, n_seeds=BATCH_N_SEEDS)
    add_place_options(parser)


def _batch(arguments: argparse.Namespace) -> int:
    """Match all targets, and print how they came out."""
    from matcher import batch  # noqa: PLC0415  keeps the help quick
    from matcher.texts.comparison import format_batch  # noqa: PLC0415

    structures = arguments.structure or [DEFAULT_STRUCTURE]
    settings = run_settings(arguments, n_seeds=BATCH_N_SEEDS)
    return carry_out(
        arguments, partial(batch, arguments.manifest, structures, **settings), format_batch
    )


COMPARE = Command(
    "compare",
    "set structures side by side on the same targets",
    """\
Match the same targets with several structures and say what the runs show: is
one oscillator enough, what does a pitch envelope bring, will the plainer
instrument do.

Every structure gets the same targets, budget and seeds. A recording is a
target; a manifest gives one for each instrument, and one for each note without
an instrument. The verdict sets the other structures against the first.

Finished runs are kept and never repeated. Ctrl-C ends the work at any moment;
the same command with --out, or --resume FOLDER, does what is missing. More
targets, structures or seeds may be added.
""",
    """\
examples:
  earwright compare horn_C4.flac -s two-oscillator -s complete --seconds 20
  earwright compare C3.flac C4.flac -s one-oscillator -s mine.toml --out trial
  earwright compare --resume trial
  earwright compare horn_C4.flac -s two-oscillator -s complete --tries 8000 \\
      --cluster tcp://desk:8786

`earwright structures` lists the structures.
""",
    _compare_options,
    _compare,
)


BATCH = Command(
    "batch",
    "match a whole library of targets",
    """\
Match every target of a manifest: one patch for each instrument, and one for
each note without an instrument.

The best run of each target is kept as a whole run folder with its sounds.
Targets that can't be matched are named at the end and hold nothing up. Finished
runs are never repeated: Ctrl-C ends the work at any moment, and the same
command with --out, or `earwright compare --resume FOLDER`, goes on.
""",
    """\
examples:
  earwright batch targets/manifest.toml --out runs/library
  earwright batch targets/manifest.toml -s two-oscillator --seeds 3 --seconds 60
  earwright batch library.toml --out runs/library --cluster tcp://desk:8786
""",
    _batch_options,
    _batch,
)
