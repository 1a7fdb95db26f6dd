"""The options that `compare` and `batch` share, and what they print."""

from __future__ import annotations

import contextlib
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matcher.cli._pages import write_page
from matcher.cli._parser import number, whole_number
from matcher.cli._weights import add_weight_options, chosen_weights

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

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
        "--evals",
        type=whole_number(1, 100_000_000, "a whole number from 1 to 100000000"),
        metavar="N",
        help="or try so many candidates in each; the same on every machine",
    )
    search.add_argument(
        "--threshold",
        type=number(0.0, 1e6, "a loss above 0, in audible steps,", above=True),
        action="append",
        metavar="LOSS",
        help="tell how soon this loss is reached; may be given several times (default: ten "
        "losses from 10 to 1 audible steps)",
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
