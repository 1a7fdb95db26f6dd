"""The commands of the user's own instrument: `structures`, `calibrate`, `send-file`."""

from __future__ import annotations

import argparse
import json
import math
import shlex
import sys
import textwrap
from typing import TYPE_CHECKING

from matcher.cli._parser import Command, CommandLineError, gate_s, pitch, whole_number
from matcher.cli.wording import one_line
from matcher.defaults import DEFAULT_STRUCTURE

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from matcher.calibrating import Calibration
    from matcher.cli._parser import Parser
    from matcher.midi import ControllerSetting
    from shared import Parameter, Patch
    from voice import Mistake, Structure

__all__: list[str] = []

ACTIONS = ("new", "check", "schema")


WIDTH = 79


# Signs that a range has room for.
SPAN = 24


def _structures_options(parser: Parser) -> None:
    """Add what `structures` takes."""
    parser.add_argument(
        "name",
        nargs="?",
        metavar="NAME",
        help="name of a structure, path of a .toml file, or new, check, schema",
    )
    parser.add_argument("file", nargs="?", metavar="FILE", help="the file for new and check")
    parser.add_argument("--json", action="store_true", help="print one JSON object instead")


def _structures(arguments: argparse.Namespace) -> int:
    """List the structures, show one, or write or check a file."""
    if arguments.name in ACTIONS:
        return _act(arguments)
    if arguments.file is not None:
        raise CommandLineError(
            f'"{arguments.file}" is one argument too many; new and check take a file.'
        )
    from voice import list_structures, load_structure  # noqa: PLC0415  keeps the help quick

    if arguments.name is not None:
        structure = load_structure(arguments.name)
        text = json.dumps(_document(structure)) if arguments.json else _show(structure)
    else:
        every = [load_structure(name) for name in list_structures()]
        text = json.dumps(_list_document(every)) if arguments.json else _list(every)
    sys.stdout.write(f"{text}\n")
    return 0


def _act(arguments: argparse.Namespace) -> int:
    """Write or check a file, or print the schema."""
    if arguments.name == "schema":
        from voice.structure_schema import structure_schema_text  # noqa: PLC0415  help is quick

        sys.stdout.write(structure_schema_text())
        return 0
    if arguments.file is None:
        raise CommandLineError(
            f"FILE is missing: the name of a structure file, as in `earwright "
            f"structures {arguments.name} my-synth.toml`."
        )
    from voice import check_structure, write_new_structure  # noqa: PLC0415  help is quick

    if arguments.name == "new":
        path = write_new_structure(arguments.file)
        document: dict[str, object] = {"written": str(path)}
        text = (
            f"{path} is written. Set in it what your instrument has, then\n"
            f"  earwright structures check {shlex.quote(str(path))}"
        )
        status = 0
    else:
        mistakes = check_structure(arguments.file)
        document = {"file": arguments.file, "mistakes": [m.to_dict() for m in mistakes]}
        text = format_mistakes(mistakes, arguments.file)
        status = 2 if any(not mistake.is_warning for mistake in mistakes) else 0
    sys.stdout.write(f"{json.dumps(document) if arguments.json else text}\n")
    return status


def format_mistakes(mistakes: Sequence[Mistake], file: str) -> str:
    """Print mistakes, one to the line."""
    if not mistakes:
        return f"{file}: no mistakes."
    lines = [
        f"{file}:{'' if mistake.line is None else f'{mistake.line}:'} "
        f"{'warning: ' if mistake.is_warning else ''}{mistake.text}"
        for mistake in mistakes
    ]
    n_errors = sum(not mistake.is_warning for mistake in mistakes)
    counted = (
        "no mistakes"
        if n_errors == 0
        else "1 mistake"
        if n_errors == 1
        else f"{n_errors} mistakes"
    )
    return "\n".join([*(one_line(line) for line in lines), f"{counted}."])


def _list(structures: Sequence[Structure]) -> str:
    """List names, numbers of free parameters and meanings."""
    width = max(len(structure.name) for structure in structures)
    lines = [f"{'structure':{width}}  free  meaning"]
    for structure in structures:
        head = f"{structure.name:{width}}  {len(structure.space):4}  "
        lines.append(
            textwrap.fill(
                structure.meaning,
                WIDTH,
                initial_indent=head,
                subsequent_indent=" " * len(head),
                break_on_hyphens=False,
            )
        )
    return "\n".join([*lines, "", "earwright structures NAME shows the parts of one."])


def _show(structure: Structure) -> str:
    """Show one structure, part by part."""
    from matcher.parts import voice_parts  # noqa: PLC0415  keeps the help quick
    from voice import load_structure  # noqa: PLC0415

    lines = [
        textwrap.fill(f"{structure.name}: {structure.meaning}", WIDTH, break_on_hyphens=False),
        f"{len(structure.space)} parameters are free.",
        "",
        _row("", "range", "panel" if structure.controls else "off"),
    ]
    common = load_structure(DEFAULT_STRUCTURE).settable
    parts = [(part.title, part.names) for part in voice_parts()]
    lines += _part_rows(structure, [(t, [n for n in names if n in common]) for t, names in parts])
    rare = _part_rows(
        structure, [(t, [n for n in names if n not in common]) for t, names in parts]
    )
    lines += ["", "Not on most instruments", "", *rare] if rare else []
    if structure.links:
        lines += ["", "= : linked, one control sets both"]
    return "\n".join(lines)


def _part_rows(structure: Structure, parts: Iterable[tuple[str, Sequence[str]]]) -> list[str]:
    """List what a structure has of some parts, each below its title."""
    from shared import CATALOGUE  # noqa: PLC0415  keeps the help quick

    neutral, lines = CATALOGUE.neutral(), []
    for title, names in parts:
        rows = []
        for name in names:
            if name in structure.settable:
                parameter = structure.settable[name]
                rows.append(_row(name, _range(parameter), _last_column(structure, name)))
            elif name in structure.links:
                sign = "set by" if structure.link_values.get(name) else "="
                rows.append(f"  {name:36}{sign} {structure.links[name]}")
            elif structure.fixed[name] != neutral[name]:
                fixed = f"fixed at {CATALOGUE[name].format(structure.fixed[name])}"
                rows.append(_row(name, fixed, _last_column(structure, name)))
        lines += [title, *rows] if rows else []
    return lines


def _row(name: str, span: str, last: str) -> str:
    """Lay out one row."""
    return f"  {name:36}{span:{SPAN}}{last:>17}".rstrip()


def _last_column(structure: Structure, name: str) -> str:
    """Print how the panel counts, or the neutral value where there is none."""
    from shared import CATALOGUE  # noqa: PLC0415  keeps the help quick

    parameter = structure.settable[name] if name in structure.settable else CATALOGUE[name]
    control = structure.controls.get(name)
    if control is None or control.scale is None:
        return "" if structure.controls else parameter.format(parameter.neutral)
    scale = control.scale
    if scale.is_switch:
        return f"{len(scale.points)} positions"
    step = "" if scale.step is None else f" by {scale.step:g}"
    return f"{scale.low:g} to {scale.high:g}{step}"


def _range(parameter: Parameter) -> str:
    """Print a range in the units of a musician."""
    ends = [parameter.format(value) for value in (parameter.low, parameter.high)]
    step = "" if parameter.step is None else f", step {parameter.step:g}"
    listed = _joined([parameter.format(value) for value in parameter.choices], " or ")
    if parameter.choices and len(listed) < SPAN:
        return listed
    return _joined(ends, " to ") + step


def _joined(values: list[str], word: str) -> str:
    """Write "-50.0 to +50.0 cents" rather than the unit at each, where it is the same."""
    unit = values[-1].partition(" ")[2] if values else ""
    if all(value.partition(" ")[2] == unit for value in values):
        values = [value.partition(" ")[0] for value in values[:-1]] + values[-1:]
    return word.join(values)


def _list_document(structures: Sequence[Structure]) -> dict[str, object]:
    """Describe the list."""
    return {
        "structures": [
            {"name": s.name, "n_free": len(s.space), "meaning": s.meaning} for s in structures
        ]
    }


def _document(structure: Structure) -> dict[str, object]:
    """Describe one structure."""
    from matcher.parts import voice_parts  # noqa: PLC0415  keeps the help quick

    titles = {name: part.title for part in voice_parts() for name in part.names}
    return {
        "name": structure.name,
        "meaning": structure.meaning,
        "n_free": len(structure.space),
        "free": [
            {
                "name": parameter.name,
                "part": titles[parameter.name],
                "group": parameter.group,
                "unit": parameter.unit,
                "low": parameter.low,
                "high": parameter.high,
                "scale": parameter.scale,
                "step": parameter.step,
                "choices": list(parameter.choices),
                "neutral": parameter.neutral,
                "meaning": parameter.meaning,
            }
            for parameter in structure.space
        ],
        "links": dict(structure.links),
        "panel": [control.to_dict() for control in structure.controls.values()],
        "fixed": {
            name: value
            for name, value in structure.fixed.items()
            if name not in structure.links and name not in structure.mixer
        },
        "equaliser": len(structure.mixer) > 0,
    }


def _calibrate_options(parser: Parser) -> None:
    """Add what `calibrate` takes."""
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
        "--pitch", type=pitch, metavar="P", help="key that was played (default: measured)"
    )
    parser.add_argument(
        "--held",
        dest="gate",
        type=gate_s,
        metavar="S",
        help="how long it was held, in s (default: measured)",
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
            f'"{text}" must be POSITION=RECORDING, as in 2.5=cutoff.wav'
        )
    return number, path


def _calibrate(arguments: argparse.Namespace) -> int:
    """Measure, print, and write the table."""
    from matcher.cli._parser import CommandLineError  # noqa: PLC0415

    if arguments.list:
        sys.stdout.write(f"{_measurable()}\n")
        return 0
    if arguments.file is None or arguments.parameter is None or not arguments.recordings:
        raise CommandLineError(
            "FILE, PARAMETER and POSITION=RECORDING are needed; `earwright calibrate --list` "
            "tells what can be measured."
        )
    from matcher.calibrating import (  # noqa: PLC0415  help is quick
        calibrate,
        check_can_hold,
        write_calibration,
    )

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
        sys.stdout.write(f"{_measured(calibration, arguments.file, arguments.dry_run)}\n")
    return 0


def _show_progress(n_done: int, n_recordings: int) -> None:
    """Count recordings on stderr, where somebody may watch."""
    if sys.stderr.isatty():
        end = "\n" if n_done == n_recordings else ""
        sys.stderr.write(f"\r{n_done} of {n_recordings} recordings measured{end}")
        sys.stderr.flush()


def _measurable() -> str:
    """Tell what can be measured, and what to record for it."""
    import textwrap  # noqa: PLC0415  keeps the help quick

    from matcher.calibrating import MEASURABLE  # noqa: PLC0415
    from matcher.texts.words import WIDTH  # noqa: PLC0415

    lines = []
    for measure in MEASURABLE:
        lines.append(measure.pattern)
        lines += textwrap.wrap(
            measure.how_to_record, WIDTH, initial_indent="  ", subsequent_indent="  "
        )
    return "\n".join(lines)


def _measured(calibration: Calibration, file: str, is_dry: bool) -> str:  # noqa: FBT001
    """Show the table with its error bars and warnings."""
    import textwrap  # noqa: PLC0415  keeps the help quick

    from matcher.texts.words import WIDTH  # noqa: PLC0415
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
            f"warning: {warning}.", WIDTH, subsequent_indent="  ", break_on_hyphens=False
        )
    done = "is left as it is (--dry-run)" if is_dry else "has the table now"
    return "\n".join([*lines, f"{file} {done}."])


def _send_file_options(parser: Parser) -> None:
    """Add what `send-file` takes."""
    parser.add_argument("patch", metavar="RUN", help="run folder or patch file (JSON)")
    parser.add_argument("--out", metavar="FILE", required=True, help="MIDI file to write")
    parser.add_argument("--force", action="store_true", help="replace the file if it exists")
    parser.add_argument(
        "--structure", metavar="S", help="name or file (default: the one of the run)"
    )
    parser.add_argument(
        "--map", metavar="MAP", help="sound-controllers: those that MIDI recommends"
    )
    parser.add_argument(
        "--channel",
        type=whole_number(1, 16, "a whole number from 1 to 16"),
        metavar="N",
        help="MIDI channel (default: the one of the structure)",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object instead")


def _send_file(arguments: argparse.Namespace) -> int:
    """Write the file, and print what it sets."""
    from matcher.midi import controller_settings, write_midi_file  # noqa: PLC0415  help is quick
    from matcher.runs.folder import load_patch_and_structure  # noqa: PLC0415

    patch, structure = load_patch_and_structure(arguments.patch, arguments.structure)
    settings = controller_settings(patch, structure, midi_map=arguments.map)
    channel = arguments.channel or structure.midi_channel
    write_midi_file(arguments.out, settings, channel=channel, overwrite=arguments.force)
    by_hand = _without_controller(patch, structure, settings)
    if arguments.json:
        document = {
            "file": arguments.out,
            "channel": channel,
            "controllers": [
                {"name": s.name, "controller": s.controller.text, "data": s.data} for s in settings
            ],
            "by_hand": [f"{part}: {text}" for part, text in by_hand],
        }
        sys.stdout.write(f"{json.dumps(document)}\n")
    else:
        sys.stdout.write(_sent(arguments.out, channel, settings, by_hand))
    return 0


def _without_controller(
    patch: Patch, structure: Structure, settings: tuple[ControllerSetting, ...]
) -> list[tuple[str, str]]:
    """List what is on the sheet and isn't sent, each with the title of its part."""
    from matcher.sheet import panel_text, plain_sheet  # noqa: PLC0415  keeps the help quick

    sent = {setting.name for setting in settings}
    return [
        (
            row.part,
            f"{row.label} {panel_text(row.name, patch.values[row.name], structure) or row.value}",
        )
        for row in plain_sheet(patch, structure)
        if row.name not in sent and row.linked_to is None
    ]


def _sent(
    path: str,
    channel: int,
    settings: tuple[ControllerSetting, ...],
    by_hand: list[tuple[str, str]],
) -> str:
    """Say what the file sets, and what is left to do."""
    import textwrap  # noqa: PLC0415  keeps the help quick
    from itertools import groupby  # noqa: PLC0415

    from matcher.parts import voice_parts  # noqa: PLC0415
    from matcher.texts.match import SHORT_CAUTION  # noqa: PLC0415
    from matcher.texts.words import WIDTH  # noqa: PLC0415

    part_of = {name: part.title for part in voice_parts() for name in part.names}
    rows = [(f"{part_of[s.name]}: {s.label}", s) for s in settings]
    width = max((len(title) for title, _ in rows), default=0)

    lines = [f"{path}: {len(settings)} controls on channel {channel}"]
    lines += [f"  {title:{width}}  {s.controller.text:<18}{s.data:>6}" for title, s in rows]
    if by_hand:
        lines.append("To set by hand, as they have no controller:")
    for part, group in groupby(by_hand, key=lambda row: row[0]):
        text = f"  {part}: {', '.join(text for _, text in group)}"
        lines += textwrap.wrap(text, WIDTH, subsequent_indent="    ", break_on_hyphens=False)
    return "\n".join([*lines, SHORT_CAUTION]) + "\n"


STRUCTURES = Command(
    "structures",
    "list the structures, show one, or write and check one of your own",
    """\
List the structures: voices that a recording can be matched with. With a name,
show the parts of one, with the range of each parameter that a search moves, its
off value or how the panel counts, and which of them are linked (one control
sets both).

A structure of your own is a .toml file; give its path. `new` writes a commented
file to begin with, `check` tells every mistake in a file at once, and `schema`
prints the JSON Schema that editors want.
""",
    """\
examples:
  earwright structures
  earwright structures pulse-strings
  earwright structures new my-synth.toml
  earwright structures check my-synth.toml
  earwright structures my-synth.toml --json
  earwright structures schema > structure.schema.json
""",
    _structures_options,
    _structures,
)


CALIBRATE = Command(
    "calibrate",
    "measure what a control of your instrument does, from recordings",
    """\
Measure what a control of your own instrument does. Record one note at each of
several positions of the control, with everything else left alone; earwright
measures the physical value at each, with an error bar, and writes the table into
the structure file. It says where a recording does not allow that.

What to record: for filter.cutoff_hz a sawtooth alone, held for a second, on a
low key, with resonance, filter envelope and key tracking at nothing; for
amp_env.attack_s one note at each position. `--list` tells it for every
parameter that can be measured.
""",
    """\
examples:
  earwright calibrate --list
  earwright calibrate my-synth.toml filter.cutoff_hz \\
      0=cutoff0.wav 2=cutoff2.wav 4=cutoff4.wav 6=cutoff6.wav 8=cutoff8.wav
  earwright calibrate my-synth.toml amp_env.attack_s 0=a0.wav 5=a5.wav --dry-run

A position that is given twice is averaged: two recordings tell more than one.
""",
    _calibrate_options,
    _calibrate,
)


SEND_FILE = Command(
    "send-file",
    "write a MIDI file that sets your instrument to a patch",
    """\
Write a standard MIDI file with the controllers that set an instrument to a
patch; play it into the instrument. Which controller sets what stands in the
structure file (midi, under panel). With --map sound-controllers, MIDI's
recommended sound controllers serve where the file says nothing: 71 harmonic
content (commonly resonance), 72 release, 73 attack, 74 brightness (cutoff), 75
decay, 76 to 78 vibrato rate, depth and delay. Then the data run over the range
that is searched.

Play the file before you play the instrument, and start with the monitor level
down.
""",
    """\
examples:
  earwright send-file runs/horn --out patch.mid
  earwright send-file brass.json --structure my-synth.toml --out patch.mid
  earwright send-file runs/horn --map sound-controllers --channel 3 --out patch.mid
""",
    _send_file_options,
    _send_file,
)
