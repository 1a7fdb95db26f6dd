"""``earwright match``: from recordings to a run folder with the best patch."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

from matcher.cli._going_on import add_going_on, announce_stop, check_going_on
from matcher.cli._notes import add_note_options, note_settings, notes_left_out
from matcher.cli._pages import write_page
from matcher.cli._parser import add_budget, seed
from matcher.cli._text import only_result_on_stdout, shows_progress
from matcher.cli._weights import add_weight_options, chosen_weights
from matcher.defaults import DEFAULT_STRUCTURE

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Subparsers
    from matcher.interrupts import StopRequest
    from matcher.result import MatchResult
    from matcher.runs.run_folder import RunFolder

__all__ = ["add_parser", "run"]

SUMMARY = "find the patch that comes closest to a recording"
DESCRIPTION = """\
Find the patch that comes closest to a recording of the wanted sound.

Each recording holds one note: WAV, FLAC, AIFF, OGG or MP3, 8 to 192 kHz, 1 to
8 channels. Several recordings are matched by one patch; give notes of several
pitches and velocities, and key tracking and response to velocity are matched,
too. Names such as horn_C4_v100.wav tell pitch and velocity; what isn't told is
taken from the sound.

A manifest lists recordings with what is played in them, see
targets/manifest.toml; --split cuts one recording of several notes. --leave-out
shows whether the patch holds on notes that it was not fitted to.

Ctrl-C ends the search; the best patch until then is written. The search is
saved every few seconds: --resume goes on with it, whatever ended it, and
--extend adds to its budget.
"""
EXAMPLES = """\
examples:
  earwright match horn_C4.flac
  earwright match horn_C4.flac --seconds 120 --seed 1 --out runs/horn
  earwright match pad.wav --structure pulse-strings --pitch C3 --gate 2.5
  earwright match stab.wav --evals 8000 --pitch "Bb3 +12 cents"
  earwright match C3.flac C4.flac C5.flac --velocity 60,100,100
  earwright match C3.flac C4.flac C5.flac --leave-out C4
  earwright match targets/manifest.toml --instrument horn_stab
  earwright match scale.flac --split --seconds 90
  earwright match stab.wav --weights attack-first --weight pitch=0.5
  earwright match --resume runs/horn
  earwright match --extend runs/horn --seconds 60

The same seed and --evals give the same patch. `earwright structures` lists the
structures.
"""
SAMPLERS = "staged (the default), optuna-cmaes, qmc, random or tpe"


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser("match", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES)
    parser.add_argument(
        "recordings",
        nargs="*",
        metavar="RECORDING",
        help="one note each (but see --split), or a manifest (.toml) that lists notes",
    )
    _add_search(parser)
    add_note_options(parser)
    _add_output(parser)
    add_going_on(parser, "match")


def run(arguments: argparse.Namespace) -> int:
    """Match, write the run folder, and print what was found."""
    from matcher.interrupts import StopRequest  # noqa: PLC0415  keeps the help quick
    from shared import EarwrightError  # noqa: PLC0415

    check_going_on(arguments, arguments.recordings, "RECORDING")
    # From here on a signal is a request: what was found gets into the folder.
    with StopRequest(announce_stop) as request:
        try:
            if arguments.resume or arguments.extend:
                result, folder = _go_on(arguments, request)
            else:
                result, folder = _match(arguments, request)
        except EarwrightError as error:
            _print_unsaved(arguments, error)
            raise
        if not arguments.no_report:
            write_page(folder)
        _print(arguments, result, folder)
    return request.exit_status


def _match(arguments: argparse.Namespace, stop: StopRequest) -> tuple[MatchResult, RunFolder]:
    """Load the target and match it."""
    from matcher import load_target, match_and_save  # noqa: PLC0415  keeps the help quick
    from voice import load_structure  # noqa: PLC0415

    structure = load_structure(arguments.structure)
    weights = chosen_weights(arguments)
    settings = note_settings(arguments)
    with only_result_on_stdout():
        target = load_target(*arguments.recordings, **settings)
        return match_and_save(
            target,
            arguments.out,
            structure=structure,
            seconds=arguments.seconds,
            evals=arguments.evals,
            seed=arguments.seed,
            sampler=arguments.sampler,
            weights=weights,
            leave_out=notes_left_out(arguments),
            force=arguments.force,
            progress=shows_progress(arguments),
            stop=stop,
            command_line=["earwright", *arguments.command_line],
        )


def _go_on(arguments: argparse.Namespace, stop: StopRequest) -> tuple[MatchResult, RunFolder]:
    """Go on with a match that was saved."""
    from matcher import resume_match  # noqa: PLC0415  keeps the help quick

    with only_result_on_stdout():
        return resume_match(
            arguments.resume or arguments.extend,
            extend_seconds=arguments.seconds,
            extend_evals=arguments.evals,
            progress=shows_progress(arguments),
            stop=stop,
        )


def _add_search(parser: argparse.ArgumentParser) -> None:
    """Add what the search is told."""
    search = parser.add_argument_group("search")
    search.add_argument(
        "--structure",
        default=DEFAULT_STRUCTURE,
        metavar="NAME",
        help="name of a structure, or path of a .toml file (default: %(default)s)",
    )
    add_budget(search, "30")
    search.add_argument(
        "--seed",
        type=seed,
        default=0,
        metavar="N",
        help="seed of the search and of the noise (default: 0)",
    )
    search.add_argument("--sampler", default="staged", metavar="NAME", help=SAMPLERS)
    add_weight_options(search)


def _add_output(parser: argparse.ArgumentParser) -> None:
    """Add what comes out."""
    output = parser.add_argument_group("output")
    output.add_argument(
        "--out", metavar="FOLDER", help="run folder (default: runs/NAME-STRUCTURE-N)"
    )
    output.add_argument(
        "--force", action="store_true", help="replace the run that is in that folder"
    )
    output.add_argument(
        "--no-report",
        action="store_true",
        help="leave out report.html; `earwright report FOLDER` writes it later",
    )
    output.add_argument(
        "--quiet", action="store_true", help="print the run folder's name and nothing else"
    )
    output.add_argument(
        "--json", action="store_true", help="print the run as one JSON object instead"
    )


def _print_unsaved(arguments: argparse.Namespace, error: Exception) -> None:
    """If the run folder can't be written, show at least what was found."""
    from matcher.texts.match_printout import format_match  # noqa: PLC0415  keeps the help quick

    result = getattr(error, "result", None)
    if result is not None and not arguments.json:
        sys.stdout.write(f"{format_match(result)}\n")
        sys.stdout.flush()


def _print(arguments: argparse.Namespace, result: MatchResult, folder: RunFolder) -> None:
    """Print the result in the form that was asked for."""
    if arguments.json:
        document = {"folder": str(folder.path), **folder.run}
        sys.stdout.write(f"{json.dumps(document, allow_nan=False)}\n")
    elif arguments.quiet:
        sys.stdout.write(f"{folder.path}\n")
    else:
        from matcher.texts.match_printout import format_match  # noqa: PLC0415  keeps the help quick

        sys.stdout.write(f"{format_match(result, folder)}\n")
    if result.stop_reason == "interrupted":
        sys.stderr.write(
            f"earwright: interrupted; the best patch until then is in {folder.path}.\n"
        )
