"""``earwright match``: from recordings to a run folder with the best patch."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import sys
from typing import TYPE_CHECKING, Any

from matcher.cli._notes import add_note_options, note_settings, notes_left_out
from matcher.cli._parser import number, seed, whole_number
from matcher.cli._weights import add_weight_options, chosen_weights
from matcher.defaults import DEFAULT_STRUCTURE

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

    from matcher._claim import Claim
    from matcher.cli._parser import Subparsers
    from matcher.result import MatchResult
    from matcher.run_folder import RunFolder
    from matcher.target import Target
    from voice import Structure

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

Ctrl-C ends the search; the best patch until then is written.
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

The same seed and --evals give the same patch. `earwright structures` lists the
structures.
"""
SAMPLERS = "cmaes (the default), optuna-cmaes, qmc, random or tpe"


def add_parser(subparsers: Subparsers) -> None:
    """Add the command.

    Parameters
    ----------
    subparsers : argparse._SubParsersAction
        Where commands are added.
    """
    parser = subparsers.add_parser("match", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES)
    parser.add_argument(
        "recordings",
        nargs="+",
        metavar="RECORDING",
        help="one note each (but see --split), or a manifest (.toml) that lists notes",
    )
    _add_search(parser)
    add_note_options(parser)
    _add_output(parser)


def run(arguments: argparse.Namespace) -> int:
    """Match, write the run folder, and print what was found.

    Parameters
    ----------
    arguments : argparse.Namespace
        As parsed.

    Returns
    -------
    int
        0, or 128 plus the number of the signal that ended the search.

    Raises
    ------
    EarwrightError
        If something given can't be used, or the folder can't be written.
    """
    from matcher import load_target  # noqa: PLC0415  keeps the help quick
    from matcher.interrupts import StopRequest  # noqa: PLC0415
    from matcher.run_folder import claim_run_folder  # noqa: PLC0415
    from voice import load_structure  # noqa: PLC0415

    structure = load_structure(arguments.structure)
    weights = chosen_weights(arguments)
    settings = note_settings(arguments)
    with _only_result_on_stdout():
        target = load_target(*arguments.recordings, **settings)
    # From here on a signal is a request: the folder is kept, and what was found gets into it.
    with (
        StopRequest(_announce_stop) as request,
        claim_run_folder(
            target, structure.name, folder=arguments.out, force=arguments.force
        ) as claim,
    ):
        with _only_result_on_stdout():
            result = _search(arguments, target, structure, weights, request)
        _print(arguments, result, _save(arguments, result, claim))
    return request.exit_status


def _add_search(parser: argparse.ArgumentParser) -> None:
    """Add what the search is told."""
    search = parser.add_argument_group("search")
    search.add_argument(
        "--structure",
        default=DEFAULT_STRUCTURE,
        metavar="NAME",
        help="name of a structure, or path of a .toml file (default: %(default)s)",
    )
    budget = search.add_mutually_exclusive_group()
    budget.add_argument(
        "--seconds",
        type=number(0.0, 86_400.0, "above 0 and up to 86400 s", above=True),
        metavar="S",
        help="search for so long (default: 30)",
    )
    budget.add_argument(
        "--evals",
        type=whole_number(1, 100_000_000, "a whole number from 1 to 100000000"),
        metavar="N",
        help="or try so many candidates",
    )
    search.add_argument(
        "--seed",
        type=seed,
        default=0,
        metavar="N",
        help="seed of the search and of the noise (default: 0)",
    )
    search.add_argument("--sampler", default="cmaes", metavar="NAME", help=SAMPLERS)
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
        "--quiet", action="store_true", help="print the run folder's name and nothing else"
    )
    output.add_argument(
        "--json", action="store_true", help="print the run as one JSON object instead"
    )


def _only_result_on_stdout() -> contextlib.AbstractContextManager[object]:
    """Send to stderr what a library may print, such as notes beside the progress bar."""
    return contextlib.redirect_stdout(sys.stderr)


def _search(
    arguments: argparse.Namespace,
    target: Target,
    structure: Structure,
    weights: dict[str, float] | None,
    stop: Callable[[], bool],
) -> MatchResult:
    """Search; a request to stop counts as an interruption."""
    from matcher import match, match_leaving_out  # noqa: PLC0415  keeps the help quick

    options: dict[str, Any] = {
        "structure": structure,
        "seconds": arguments.seconds,
        "evals": arguments.evals,
        "seed": arguments.seed,
        "sampler": arguments.sampler,
        "weights": weights,
        # A bar drawn into a log file is a mess.
        "progress": not arguments.quiet and sys.stderr.isatty(),
        "stop": stop,
    }
    names = notes_left_out(arguments)
    result = (
        match(target, **options)
        if names is None
        else match_leaving_out(target, leave_out=names, **options)
    )
    return dataclasses.replace(result, stop_reason="interrupted") if stop() else result


def _save(arguments: argparse.Namespace, result: MatchResult, claim: Claim) -> RunFolder:
    """Write the run folder; if that fails, what was found is at least shown."""
    from matcher.run_folder import save_run  # noqa: PLC0415  keeps the help quick
    from shared import EarwrightError  # noqa: PLC0415

    try:
        return save_run(result, claim, command_line=["earwright", *arguments.command_line])
    except EarwrightError:
        if not arguments.json:
            from matcher.printout import format_match  # noqa: PLC0415

            sys.stdout.write(f"{format_match(result)}\n")
            sys.stdout.flush()
        raise


def _print(arguments: argparse.Namespace, result: MatchResult, folder: RunFolder) -> None:
    """Print the result in the form that was asked for."""
    if arguments.json:
        document = {"folder": str(folder.path), **folder.run}
        sys.stdout.write(f"{json.dumps(document, allow_nan=False)}\n")
    elif arguments.quiet:
        sys.stdout.write(f"{folder.path}\n")
    else:
        from matcher.printout import format_match  # noqa: PLC0415  keeps the help quick

        sys.stdout.write(f"{format_match(result, folder)}\n")
    if result.stop_reason == "interrupted":
        sys.stderr.write(
            f"earwright: interrupted; the best patch until then is in {folder.path}.\n"
        )


def _announce_stop() -> None:
    """Say at once that Ctrl-C was heard; the batch at work is finished first."""
    # A signal may come in the middle of another write to stderr, which Python refuses to nest.
    with contextlib.suppress(RuntimeError):
        sys.stderr.write("\nearwright: stopping; the best patch so far will be written.\n")
