"""``earwright calibrate``: what the user's own panel really does, from recordings."""

from __future__ import annotations

import argparse
import json
import math
import sys
from typing import TYPE_CHECKING

from matcher.cli._parser import gate_s, pitch

if TYPE_CHECKING:
    from matcher.calibrating import Calibration
    from matcher.cli._parser import Subparsers

__all__ = ["add_parser", "run"]

SUMMARY = "measure what a control of your instrument does, from recordings"
DESCRIPTION = """\
Measure what a control of your own instrument does. Record one note at each of
several positions of the control, with everything else left alone; earwright
measures the physical value at each, with an error bar, and writes the table into
the structure file. It says where a recording does not allow that.

What to record: for filter.cutoff_hz a sawtooth alone, held for a second, on a
low key, with resonance, filter envelope and key tracking at nothing; for
amp_env.attack_s one note at each position. `--list` tells it for every
parameter that can be measured.
"""
EXAMPLES = """\
examples:
  earwright calibrate --list
  earwright calibrate my-synth.toml filter.cutoff_hz \\
      0=cutoff0.wav 2=cutoff2.wav 4=cutoff4.wav 6=cutoff6.wav 8=cutoff8.wav
  earwright calibrate my-synth.toml amp_env.attack_s 0=a0.wav 5=a5.wav --dry-run

A position that is given twice is averaged: two recordings tell more than one.
"""


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "calibrate", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES
    )
    parser.add_argument("file", nargs="?", metavar="FILE", help="structure file (.toml)")
    parser.add_argument("parameter", nargs="?", metavar="PARAMETER", help="what the control sets")
    parser.add_argument(
        "recordings",
        nargs="*",
        type=_place,
        metavar="POSITION=RECORDING",
        help="what the panel says, and the recording",
    )
    parser.add_argument(
        "--pitch", type=pitch, metavar="P", help="key that was played (default: heard)"
    )
    parser.add_argument(
        "--gate", type=gate_s, metavar="S", help="how long it was held, in s (default: heard)"
    )
    parser.add_argument(
        "--reference", metavar="RECORDING", help="for filters: the same note, filter open"
    )
    parser.add_argument("--dry-run", action="store_true", help="measure, and write nothing")
    parser.add_argument("--list", action="store_true", help="tell what can be measured, and how")
    parser.add_argument("--json", action="store_true", help="print one JSON object instead")


def _place(text: str) -> tuple[float, str]:
    """Read a position and a file name."""
    position, sign, path = text.partition("=")
    try:
        number = float(position)
    except ValueError:
        number = math.nan
    if not sign or not path or not math.isfinite(number):
        raise argparse.ArgumentTypeError(
            f'"{text}" is not accepted; POSITION=RECORDING is, as in 2.5=cutoff.wav'
        )
    return number, path


def run(arguments: argparse.Namespace) -> int:
    """Measure, print, and write the table."""
    from matcher.cli._parser import CommandLineError  # noqa: PLC0415

    if arguments.list:
        sys.stdout.write(f"{_list()}\n")
        return 0
    if arguments.file is None or arguments.parameter is None or not arguments.recordings:
        raise CommandLineError(
            "FILE, PARAMETER and POSITION=RECORDING are needed; `earwright calibrate --list` "
            "tells what can be measured."
        )
    from matcher.calibrating import calibrate, write_calibration  # noqa: PLC0415  help is quick
    from matcher.calibrating.writing import check_can_hold  # noqa: PLC0415

    if not arguments.dry_run:
        check_can_hold(arguments.file, arguments.parameter)
    calibration = calibrate(
        arguments.file,
        arguments.parameter,
        arguments.recordings,
        midi_pitch=arguments.pitch,
        gate_s=arguments.gate,
        reference=arguments.reference,
        progress=_show_progress,
    )
    if not arguments.dry_run:
        write_calibration(arguments.file, calibration)
    if arguments.json:
        document = {**calibration.to_dict(), "written": not arguments.dry_run}
        sys.stdout.write(f"{json.dumps(document)}\n")
    else:
        sys.stdout.write(f"{_report(calibration, arguments.file, arguments.dry_run)}\n")
    return 0


def _show_progress(n_done: int, n_recordings: int) -> None:
    """Count recordings on stderr, where somebody may watch."""
    if sys.stderr.isatty():
        end = "\n" if n_done == n_recordings else ""
        sys.stderr.write(f"\r{n_done} of {n_recordings} recordings measured{end}")
        sys.stderr.flush()


def _list() -> str:
    """Tell what can be measured, and what to record for it."""
    import textwrap  # noqa: PLC0415  keeps the help quick

    from matcher.calibrating import MEASURABLE  # noqa: PLC0415
    from matcher.texts.match_printout import WIDTH  # noqa: PLC0415

    lines = []
    for measure in MEASURABLE:
        lines.append(measure.pattern)
        lines += textwrap.wrap(
            measure.how_to_record, WIDTH, initial_indent="  ", subsequent_indent="  "
        )
    return "\n".join(lines)


def _report(calibration: Calibration, file: str, is_dry: bool) -> str:  # noqa: FBT001
    """Show the table with its error bars and warnings."""
    import textwrap  # noqa: PLC0415  keeps the help quick

    from matcher.texts.match_printout import WIDTH  # noqa: PLC0415
    from shared import CATALOGUE  # noqa: PLC0415

    parameter = CATALOGUE[calibration.parameter]
    lines = [f"{calibration.parameter}", f"  {'panel':>7}{'value':>14}{'standard error':>18}"]
    warnings = []
    for point in calibration.points:
        mark = "" if point.is_used else "   left out"
        value, error = (parameter.format(x) for x in (point.value, point.error))
        lines.append(f"  {point.panel:7g}{value:>14}{error.lstrip('+'):>18}{mark}")
        warnings += [f"{point.panel:g}: {remark}" for remark in point.remarks]
    for warning in (*warnings, *calibration.remarks):
        lines += textwrap.wrap(
            f"note: {warning}.", WIDTH, subsequent_indent="  ", break_on_hyphens=False
        )
    done = "is left as it is (--dry-run)" if is_dry else "has the table now"
    return "\n".join([*lines, f"{file} {done}."])
