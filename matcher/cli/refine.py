"""``earwright refine``: some parameters searched again, the rest as it is."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING, Any

from matcher.cli._going_on import add_going_on, announce_stop, check_going_on
from matcher.cli._notes import add_note_options, note_settings
from matcher.cli._pages import refresh_page, write_page
from matcher.cli._parser import number, seed, whole_number
from matcher.cli._text import only_result_on_stdout, shows_progress
from matcher.cli._weights import add_weight_options, chosen_weights

if TYPE_CHECKING:
    from matcher.cli._parser import Subparsers
    from matcher.interrupts import StopRequest
    from matcher.result import MatchResult
    from matcher.runs.run_folder import RunFolder

__all__ = ["add_parser", "run"]

SUMMARY = "search some parameters of a patch again, and keep the rest"
DESCRIPTION = """\
Search some parameters of a patch again, and keep the rest as it is, to the bit.
The result is never worse than the start, by the loss of the run.

A run folder gets the result as its newest version (see `earwright log`). With
recordings, or from a patch file, a run folder of its own is written. RUN@VERSION
begins at an earlier version.

Patterns name parameters (filter*, *.attack_s) or groups: pitch, waveform,
attack, brightness, animation and level. `earwright structures NAME` lists both.
"""
EXAMPLES = """\
examples:
  earwright refine runs/horn --only 'filter*' --only '*.attack_s'
  earwright refine runs/horn --hold 'osc*' --within 20% --note "softer front"
  earwright refine runs/horn --only attack --within 'amp_env.attack_s=0.01'
  earwright refine runs/horn --set filter.cutoff_hz=900 --only 'filter_env*'
  earwright refine runs/horn --set filter.cutoff_hz=900 --evals 0
  earwright refine runs/horn@final --only brightness
  earwright refine brass.json horn_C4.flac --only 'amp_env*' --out runs/brass
  earwright refine --resume runs/horn
"""


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "refine", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES
    )
    parser.add_argument(
        "patch", nargs="?", metavar="RUN_OR_PATCH", help="run folder, RUN@VERSION or patch file"
    )
    parser.add_argument(
        "recordings", nargs="*", metavar="TARGET", help="recordings to match, or a manifest"
    )
    _add_selection(parser)
    _add_search(parser)
    add_note_options(parser, leave_out=False)
    output = parser.add_argument_group("output")
    output.add_argument("--note", default="", metavar="TEXT", help="a note to keep with it")
    output.add_argument("--out", metavar="FOLDER", help="run folder, where a new one is written")
    output.add_argument("--force", action="store_true", help="replace the run in that folder")
    output.add_argument("--quiet", action="store_true", help="print the folder's name alone")
    output.add_argument("--json", action="store_true", help="print the run as one JSON object")
    add_going_on(parser, "refine")


def run(arguments: argparse.Namespace) -> int:
    """Refine, and print what changed."""
    from matcher.interrupts import StopRequest  # noqa: PLC0415  keeps the help quick

    check_going_on(arguments, arguments.patch, "RUN_OR_PATCH")
    with StopRequest(announce_stop) as request:
        with only_result_on_stdout():
            result, folder = _refine(arguments, request)
        # A new run gets its report, as from a match; that of a run is brought up to date.
        if arguments.recordings:
            write_page(folder)
        else:
            refresh_page(folder.path)
        _print(arguments, result, folder)
    return request.exit_status


def _refine(arguments: argparse.Namespace, stop: StopRequest) -> tuple[MatchResult, RunFolder]:
    """Go on with a refinement, or begin one in a run or for recordings."""
    from matcher import load_target, refine_and_save, resume_refine  # noqa: PLC0415
    from matcher.refining.saving import refine_saved_run  # noqa: PLC0415
    from matcher.refining.selection import Selection  # noqa: PLC0415

    watched: dict[str, Any] = {"progress": shows_progress(arguments), "stop": stop}
    if arguments.resume or arguments.extend:
        return resume_refine(
            arguments.resume or arguments.extend,
            extend_seconds=arguments.seconds,
            extend_evals=arguments.evals,
            **watched,
        )
    chosen: dict[str, Any] = {
        "only": tuple(arguments.only),
        "hold": tuple(arguments.hold),
        "within": _joined(arguments.within),
        "set_values": dict(arguments.set),
    }
    search: dict[str, Any] = {
        "structure": arguments.structure,
        "weights": chosen_weights(arguments),
        "seconds": arguments.seconds,
        "evals": arguments.evals,
        "seed": arguments.seed,
    }
    is_file = arguments.patch.endswith(".json")
    if not is_file and not arguments.recordings:
        return refine_saved_run(
            arguments.patch, Selection(**chosen), note=arguments.note, **search, **watched
        )
    target = (
        load_target(*arguments.recordings, **note_settings(arguments))
        if (arguments.recordings)
        else None
    )
    return refine_and_save(
        arguments.patch,
        target,
        arguments.out,
        **chosen,
        **search,
        **watched,
        force=arguments.force,
        command_line=["earwright", *arguments.command_line],
    )


def _add_selection(parser: argparse.ArgumentParser) -> None:
    """Add what may move, and how far."""
    group = parser.add_argument_group("what may move")
    group.add_argument(
        "--only", action="append", default=[], metavar="PATTERN", help="these alone"
    )
    group.add_argument(
        "--hold", action="append", default=[], metavar="PATTERN", help="all but these"
    )
    group.add_argument(
        "--within",
        action="append",
        default=[],
        metavar="AMOUNT",
        help="no further than this: 20%% of each range, an amount in a unit (200Hz, 5ms), or for "
        "some of them (filter.cutoff_hz=200)",
    )
    group.add_argument(
        "--set",
        action="append",
        default=[],
        type=_setting,
        metavar="NAME=VALUE",
        help="set a value beforehand (filter.cutoff_hz=900, amp_env.attack_s=30ms); it stays "
        "there",
    )


def _add_search(parser: argparse.ArgumentParser) -> None:
    """Add what the search is told."""
    group = parser.add_argument_group("search")
    group.add_argument("--structure", metavar="NAME", help="as for match (default: as matched)")
    budget = group.add_mutually_exclusive_group()
    budget.add_argument(
        "--seconds",
        type=number(0.0, 86_400.0, "0 to 86400 s"),
        metavar="S",
        help="search for so long (default: 10)",
    )
    budget.add_argument(
        "--evals",
        type=whole_number(0, 100_000_000, "a whole number from 0 to 100000000"),
        metavar="N",
        help="or try so many candidates; 0 only sets values",
    )
    group.add_argument(
        "--seed", type=seed, default=0, metavar="N", help="seed of the search (default: 0)"
    )
    add_weight_options(group)


def _setting(text: str) -> tuple[str, float]:
    """Read a value to set."""
    from matcher.refining.selection import read_value  # noqa: PLC0415  keeps the help quick
    from shared import ParameterError  # noqa: PLC0415

    name, mark, value = (part.strip() for part in text.partition("="))
    if not mark or not name:
        raise argparse.ArgumentTypeError(
            f'"{text}" is not understood; NAME=VALUE in the parameter\'s own unit is accepted, '
            "for example filter.cutoff_hz=900"
        )
    try:
        return name, read_value(name, value)
    except ParameterError as error:
        raise argparse.ArgumentTypeError(str(error).rstrip(".")) from error


def _joined(amounts: list[str]) -> str | dict[str, str] | None:
    """Join amounts: one for everything, or one for each pattern."""
    if not amounts:
        return None
    if len(amounts) == 1 and "=" not in amounts[0]:
        return amounts[0]
    pairs = [amount.rpartition("=") for amount in amounts]
    return {pattern or "*": amount for pattern, _, amount in pairs}


def _print(arguments: argparse.Namespace, result: MatchResult, folder: RunFolder) -> None:
    """Print the result in the form that was asked for."""
    if arguments.json:
        document = {"folder": str(folder.path), **folder.run}
        sys.stdout.write(f"{json.dumps(document, allow_nan=False)}\n")
    elif arguments.quiet:
        sys.stdout.write(f"{folder.path}\n")
    else:
        from matcher.texts.refined import format_refined  # noqa: PLC0415  keeps the help quick

        sys.stdout.write(f"{format_refined(result, folder)}\n")
    if result.stop_reason == "interrupted":
        sys.stderr.write(
            f"earwright: interrupted; the best patch until then is in {folder.path}. Go on with "
            f"earwright refine --resume {folder.path}\n"
        )
