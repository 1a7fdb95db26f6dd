"""``earwright send-file``: a MIDI file that sets the user's instrument."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

from matcher.cli._parser import whole_number

if TYPE_CHECKING:
    import argparse

    from matcher.cli._parser import Subparsers
    from matcher.midi import ControllerSetting
    from shared import Patch
    from voice import Structure

__all__ = ["add_parser", "run"]

SUMMARY = "write a MIDI file that sets your instrument to a patch"
DESCRIPTION = """\
Write a standard MIDI file with the controllers that set an instrument to a
patch; play it into the instrument. Which controller sets what stands in the
structure file (midi, under panel). With --map sound-controllers, those of
MIDI 1.0 serve where the file says nothing: 71 resonance, 72 release, 73 attack,
74 brightness (cutoff), 75 decay, 76 to 78 vibrato rate, depth and delay. Then
the data run over the range that is searched.

Play the file before you play the instrument, and start with the monitor level
down.
"""
EXAMPLES = """\
examples:
  earwright send-file runs/horn --out patch.mid
  earwright send-file brass.json --structure my-synth.toml --out patch.mid
  earwright send-file runs/horn --map sound-controllers --channel 3 --out patch.mid
"""


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "send-file", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES
    )
    parser.add_argument("patch", metavar="RUN", help="run folder or patch file (JSON)")
    parser.add_argument("--out", metavar="FILE", required=True, help="MIDI file to write")
    parser.add_argument("--force", action="store_true", help="replace the file if it exists")
    parser.add_argument(
        "--structure", metavar="S", help="name or file (default: the one of the run)"
    )
    parser.add_argument("--map", metavar="MAP", help="sound-controllers: those of MIDI 1.0")
    parser.add_argument(
        "--channel",
        type=whole_number(1, 16, "a whole number from 1 to 16"),
        metavar="N",
        help="MIDI channel (default: the one of the structure)",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object instead")


def run(arguments: argparse.Namespace) -> int:
    """Write the file, and print what it sets."""
    from matcher.midi import controller_settings, write_midi_file  # noqa: PLC0415  help is quick
    from matcher.runs.run_structure import load_patch_and_structure  # noqa: PLC0415

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
        sys.stdout.write(_report(arguments.out, channel, settings, by_hand))
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


def _report(
    path: str,
    channel: int,
    settings: tuple[ControllerSetting, ...],
    by_hand: list[tuple[str, str]],
) -> str:
    """Say what the file sets, and what is left to do."""
    import textwrap  # noqa: PLC0415  keeps the help quick
    from itertools import groupby  # noqa: PLC0415

    from matcher.parts import voice_parts  # noqa: PLC0415
    from matcher.texts.match_printout import SHORT_CAUTION, WIDTH  # noqa: PLC0415

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
