"""The commands that search: `match` and `refine`."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING, Any

from matcher.cli._options import (
    add_going_on,
    add_note_options,
    add_weight_options,
    announce_stop,
    check_going_on,
    chosen_weights,
    note_settings,
    notes_left_out,
)
from matcher.cli._pages import refresh_page, write_page
from matcher.cli._parser import (
    Command,
    add_budget,
    add_details,
    add_version,
    number,
    seed,
    whole_number,
)
from matcher.cli.wording import one_line, only_result_on_stdout, shows_progress
from matcher.defaults import DEFAULT_STRUCTURE
from matcher.texts.words import SEARCH_WORDS

if TYPE_CHECKING:
    from matcher.cli._parser import Parser
    from matcher.interrupts import StopRequest
    from matcher.result import MatchResult
    from matcher.runs.folder import RunFolder
    from matcher.target import Target
    from matcher.texts.stages import StageTeller

__all__: list[str] = []

SEARCHES = tuple(SEARCH_WORDS.values())


def _match_options(parser: Parser) -> None:
    """Add what `match` takes."""
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


def _match(arguments: argparse.Namespace) -> int:
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
                result, folder = _begin_match(arguments, request)
        except EarwrightError as error:
            _print_unsaved(arguments, error)
            raise
        _print_result(arguments, result, folder, "match")
        if not arguments.no_report:
            write_page(folder)
            _say_where_the_report_is(arguments, folder)
    return request.exit_status


def _begin_match(
    arguments: argparse.Namespace, stop: StopRequest
) -> tuple[MatchResult, RunFolder]:
    """Load the target and match it."""
    from matcher import load_target, match_and_save  # noqa: PLC0415  keeps the help quick
    from voice import load_structure  # noqa: PLC0415

    structure = load_structure(arguments.structure)
    if arguments.no_equaliser:
        structure = structure.without_equaliser()
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
            sampler=arguments.search,
            weights=weights,
            leave_out=notes_left_out(arguments),
            n_settings=arguments.settings,
            force=arguments.force,
            progress=shows_progress(arguments),
            stop=stop,
            watch=_teller(target) if shows_progress(arguments) else None,
            command_line=["earwright", *arguments.command_line],
        )


def _teller(target: Target) -> StageTeller:
    """Make what says between the stages of a search what still sounds different."""
    from tqdm.auto import tqdm  # noqa: PLC0415  keeps the help quick

    from matcher.texts.stages import StageTeller  # noqa: PLC0415

    return StageTeller(target, tqdm.write)


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
    search.add_argument(
        "--no-equaliser",
        action="store_true",
        help="fit no equaliser after the instrument, in the channel of a mixer",
    )
    add_budget(search, "30")
    search.add_argument(
        "--seed",
        type=seed,
        default=0,
        metavar="N",
        help="seed of the search and of the noise (default: 0)",
    )
    search.add_argument(
        "--settings",
        type=whole_number(1, 999, "1 or more"),
        metavar="N",
        help="at most so many settings (default: the shortest patch that sounds like the closest)",
    )
    search.add_argument(
        "--search",
        type=_search_name,
        default="staged",
        metavar="NAME",
        help=f"{SEARCHES[0]} (the default), or to compare: {', '.join(SEARCHES[1:])}",
    )
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
    add_details(output)


def _print_unsaved(arguments: argparse.Namespace, error: Exception) -> None:
    """If the run folder can't be written, show at least what was found."""
    from matcher.texts.match import format_match  # noqa: PLC0415  keeps the help quick

    result = getattr(error, "result", None)
    if result is not None and not arguments.json:
        sys.stdout.write(f"{format_match(result)}\n")
        sys.stdout.flush()


def _print_result(
    arguments: argparse.Namespace, result: MatchResult, folder: RunFolder, command: str
) -> None:
    """Print the result of `match` or `refine` in the form that was asked for."""
    if arguments.json:
        document = {"folder": str(folder.path), **folder.run}
        sys.stdout.write(f"{json.dumps(document, allow_nan=False)}\n")
    elif arguments.quiet:
        sys.stdout.write(f"{folder.path}\n")
    else:
        from matcher.runs.folder import load_run  # noqa: PLC0415  help is quick
        from matcher.texts.match import (  # noqa: PLC0415
            format_left_out,
            format_match,
            format_refined,
        )
        from matcher.texts.screen import format_screen  # noqa: PLC0415

        # As it is in the folder, so that `summary` prints the same.
        sys.stdout.write(f"{format_screen(load_run(folder.path), times=arguments.times)}\n")
        if "leave_out" in result.settings and not arguments.details:
            sys.stdout.write(f"\n{format_left_out(result)}\n")
        if arguments.details:
            show = format_match if command == "match" else format_refined
            sys.stdout.write(f"\n{show(result, folder)}\n")
    # The report takes a while; what was found can be read meanwhile.
    sys.stdout.flush()
    if result.stop_reason == "interrupted":
        sys.stderr.write(
            f"earwright: interrupted; the best patch until then is in {folder.path}. Go on with "
            f"earwright {command} --resume {folder.path}\n"
        )


def _say_where_the_report_is(arguments: argparse.Namespace, folder: RunFolder) -> None:
    """Name the page of a run, once it is written."""
    from matcher.report import REPORT_FILE  # noqa: PLC0415  keeps the help quick

    page = folder.path / REPORT_FILE
    if page.is_file() and not (arguments.json or arguments.quiet):
        sys.stdout.write(f"In a browser: {one_line(str(page))}\n")


def _refine_options(parser: Parser) -> None:
    """Add what `refine` takes."""
    parser.add_argument(
        "patch", nargs="?", metavar="RUN_OR_PATCH", help="run folder or patch file"
    )
    parser.add_argument(
        "recordings", nargs="*", metavar="TARGET", help="recordings to match, or a manifest"
    )
    add_version(parser)
    _add_selection(parser)
    _add_search_refine(parser)
    add_note_options(parser, leave_out=False)
    output = parser.add_argument_group("output")
    output.add_argument("--comment", default="", metavar="TEXT", help="a comment to keep with it")
    output.add_argument("--out", metavar="FOLDER", help="run folder, where a new one is written")
    output.add_argument("--force", action="store_true", help="replace the run in that folder")
    output.add_argument("--quiet", action="store_true", help="print the folder's name alone")
    output.add_argument("--json", action="store_true", help="print the run as one JSON object")
    add_details(output)
    add_going_on(parser, "refine")


def _refine(arguments: argparse.Namespace) -> int:
    """Refine, and print what changed."""
    from matcher.interrupts import StopRequest  # noqa: PLC0415  keeps the help quick

    check_going_on(arguments, arguments.patch, "RUN_OR_PATCH")
    with StopRequest(announce_stop) as request:
        with only_result_on_stdout():
            result, folder = _begin_refinement(arguments, request)
        _print_result(arguments, result, folder, "refine")
        # A new run gets its report, as from a match; that of a run is brought up to date.
        if arguments.recordings:
            write_page(folder)
            _say_where_the_report_is(arguments, folder)
        else:
            refresh_page(folder.path)
    return request.exit_status


def _begin_refinement(
    arguments: argparse.Namespace, stop: StopRequest
) -> tuple[MatchResult, RunFolder]:
    """Go on with a refinement, or begin one in a run or for recordings."""
    from matcher import load_target, refine_and_save, resume_refine  # noqa: PLC0415
    from matcher.saving import refine_saved_run  # noqa: PLC0415
    from matcher.selection import Selection  # noqa: PLC0415

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
            arguments.patch,
            Selection(**chosen),
            version=arguments.version,
            note=arguments.comment,
            **search,
            **watched,
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
        version=arguments.version,
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
        "--lock", dest="hold", action="append", default=[], metavar="PATTERN", help="all but these"
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


def _add_search_refine(parser: argparse.ArgumentParser) -> None:
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
        "--tries",
        dest="evals",
        type=whole_number(0, 100_000_000, "a whole number from 0 to 100000000"),
        metavar="N",
        help="or this many tries; 0 only sets values",
    )
    group.add_argument(
        "--seed", type=seed, default=0, metavar="N", help="seed of the search (default: 0)"
    )
    add_weight_options(group)


def _search_name(text: str) -> str:
    """Read the name of a search; blanks may be hyphens."""
    by_word = {word.lower(): name for name, word in SEARCH_WORDS.items()}
    wanted = text.lower().replace("-", " ")
    if wanted in by_word:
        return by_word[wanted]
    now = SEARCH_WORDS.get(text.lower(), "")
    wrong = f"is called {now} now" if now else "is no search"
    raise argparse.ArgumentTypeError(f'"{text}" {wrong}; it must be one of {", ".join(SEARCHES)}')


def _setting(text: str) -> tuple[str, float]:
    """Read a value to set."""
    from matcher.selection import read_value  # noqa: PLC0415  keeps the help quick
    from shared import ParameterError  # noqa: PLC0415

    name, mark, value = (part.strip() for part in text.partition("="))
    if not mark or not name:
        raise argparse.ArgumentTypeError(
            f'"{text}" is not understood; it must be NAME=VALUE in the parameter\'s own unit, '
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


MATCH = Command(
    "match",
    "find the patch that comes closest to a recording",
    """\
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
""",
    """\
examples:
  earwright match horn_C4.flac
  earwright match horn_C4.flac --seconds 120 --seed 1 --out runs/horn
  earwright match pad.wav --structure pulse-strings --pitch C3 --held 2.5
  earwright match stab.wav --tries 8000 --pitch "Bb3 +12 cents"
  earwright match C3.flac C4.flac C5.flac --velocity 60,100,100
  earwright match C3.flac C4.flac C5.flac --leave-out C4
  earwright match targets/manifest.toml --instrument horn_stab
  earwright match scale.flac --split --seconds 90
  earwright match stab.wav --weights attack-first --weight pitch=0.5
  earwright match --resume runs/horn
  earwright match --extend runs/horn --seconds 60

The same seed and --tries give the same patch. `earwright structures` lists the
structures.
""",
    _match_options,
    _match,
)


REFINE = Command(
    "refine",
    "search some parameters of a patch again, and keep the rest",
    """\
Search some parameters of a patch again, and keep the rest as it is, to the bit.
The result is never further from the target than the start.

A run folder gets the result as its newest version (see `earwright versions`).
With recordings, or from a patch file, a run folder of its own is written.
--version begins at an earlier version.

Patterns name parameters (filter*, *.attack_s) or groups: pitch, waveform,
attack, brightness, movement and level. `earwright structures NAME` lists both.
""",
    """\
examples:
  earwright refine runs/horn --only 'filter*' --only '*.attack_s'
  earwright refine runs/horn --lock 'osc*' --within 20% --comment "softer"
  earwright refine runs/horn --only attack --within 'amp_env.attack_s=0.01'
  earwright refine runs/horn --set filter.cutoff_hz=900 --only 'filter_env*'
  earwright refine runs/horn --set filter.cutoff_hz=900 --tries 0
  earwright refine runs/horn --version final --only brightness
  earwright refine brass.json horn_C4.flac --only 'amp_env*' --out runs/brass
  earwright refine --resume runs/horn
""",
    _refine_options,
    _refine,
)
