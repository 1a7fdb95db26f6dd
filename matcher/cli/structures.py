"""``earwright structures``: the voices there are, and structure files of the user's own."""

from __future__ import annotations

import json
import shlex
import sys
import textwrap
from typing import TYPE_CHECKING

from matcher.cli._parser import CommandLineError
from matcher.cli._text import one_line

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence

    from matcher.cli._parser import Subparsers
    from shared import Parameter
    from voice import Mistake, Structure

__all__ = ["add_parser", "run"]

SUMMARY = "list the structures, show one, or write and check one of your own"
DESCRIPTION = """\
List the structures: voices that a recording can be matched with. With a name,
show the parts of one, with the range of each parameter that a search moves, its
neutral value or how the panel counts, and which of them are linked (one control
sets both).

A structure of your own is a .toml file; give its path. `new` writes a commented
file to begin with, `check` tells every mistake in a file at once, and `schema`
prints the JSON Schema that editors want.
"""
EXAMPLES = """\
examples:
  earwright structures
  earwright structures pulse-strings
  earwright structures new my-synth.toml
  earwright structures check my-synth.toml
  earwright structures my-synth.toml --json
  earwright structures schema > structure.schema.json
"""
ACTIONS = ("new", "check", "schema")
WIDTH = 79
# Signs that a range has room for.
SPAN = 24


def add_parser(subparsers: Subparsers) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "structures", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES
    )
    parser.add_argument(
        "name",
        nargs="?",
        metavar="NAME",
        help="name of a structure, path of a .toml file, or new, check, schema",
    )
    parser.add_argument("file", nargs="?", metavar="FILE", help="the file for new and check")
    parser.add_argument("--json", action="store_true", help="print one JSON object instead")


def run(arguments: argparse.Namespace) -> int:
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
            f"FILE is missing; the name of a structure file is accepted, as in `earwright "
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
        f"{'note: ' if mistake.is_warning else ''}{mistake.text}"
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
    from shared import CATALOGUE  # noqa: PLC0415

    lines = [
        textwrap.fill(f"{structure.name}: {structure.meaning}", WIDTH, break_on_hyphens=False),
        f"{len(structure.space)} parameters are free.",
        "",
        _row("", "range", "panel" if structure.controls else "neutral"),
    ]
    neutral = CATALOGUE.neutral()
    for part in voice_parts():
        rows = []
        for name in part.names:
            if name in structure.space:
                parameter = structure.space[name]
                rows.append(_row(name, _range(parameter), _last_column(structure, name)))
            elif name in structure.links:
                sign = "set by" if structure.link_values.get(name) else "="
                rows.append(f"  {name:36}{sign} {structure.links[name]}")
            elif structure.fixed[name] != neutral[name]:
                fixed = f"fixed at {CATALOGUE[name].format(structure.fixed[name])}"
                rows.append(_row(name, fixed, _last_column(structure, name)))
        if rows:
            lines += [part.title, *rows]
    if structure.links:
        lines += ["", "= : linked, one control sets both"]
    return "\n".join(lines)


def _row(name: str, span: str, last: str) -> str:
    """Lay out one row."""
    return f"  {name:36}{span:{SPAN}}{last:>17}".rstrip()


def _last_column(structure: Structure, name: str) -> str:
    """Print how the panel counts, or the neutral value where there is none."""
    from shared import CATALOGUE  # noqa: PLC0415  keeps the help quick

    parameter = structure.space[name] if name in structure.space else CATALOGUE[name]
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
        "fixed": {n: x for n, x in structure.fixed.items() if n not in structure.links},
    }
