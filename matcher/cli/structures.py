"""``earwright structures``: which voices there are, and what each lets a search move."""

from __future__ import annotations

import json
import sys
import textwrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence

    from matcher.cli._parser import Subparsers
    from shared import Parameter
    from voice import Structure

__all__ = ["add_parser", "run"]

SUMMARY = "list the structures, or show what one of them can do"
DESCRIPTION = """\
List the structures: voices that a recording can be matched with. With a name,
show the parts of one, with the range and the neutral value of each parameter
that a search moves, and which of them are linked (one control sets both).

A structure of your own is a .toml file; give its path.
"""
EXAMPLES = """\
examples:
  earwright structures
  earwright structures pulse-strings
  earwright structures my_instrument.toml --json
"""
WIDTH = 79


def add_parser(subparsers: Subparsers) -> None:
    """Add the command.

    Parameters
    ----------
    subparsers : argparse._SubParsersAction
        Where commands are added.
    """
    parser = subparsers.add_parser(
        "structures", help=SUMMARY, description=DESCRIPTION, epilog=EXAMPLES
    )
    parser.add_argument(
        "name", nargs="?", metavar="NAME", help="name of a structure, or path of a .toml file"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object instead")


def run(arguments: argparse.Namespace) -> int:
    """List the structures, or show one.

    Parameters
    ----------
    arguments : argparse.Namespace
        As parsed.

    Returns
    -------
    int
        0.

    Raises
    ------
    StructureError
        If there is no such structure, or its file is wrong.
    """
    from voice import list_structures, load_structure  # noqa: PLC0415  keeps the help quick

    if arguments.name is not None:
        structure = load_structure(arguments.name)
        text = json.dumps(_document(structure)) if arguments.json else _show(structure)
    else:
        every = [load_structure(name) for name in list_structures()]
        text = json.dumps(_list_document(every)) if arguments.json else _list(every)
    sys.stdout.write(f"{text}\n")
    return 0


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
        _row("", "range", "neutral"),
    ]
    neutral = CATALOGUE.neutral()
    for part in voice_parts():
        rows = []
        for name in part.names:
            if name in structure.space:
                parameter = structure.space[name]
                rows.append(_row(name, _range(parameter), parameter.format(parameter.neutral)))
            elif name in structure.links:
                rows.append(f"  {name:36}= {structure.links[name]}")
            elif structure.fixed[name] != neutral[name]:
                fixed = f"fixed at {CATALOGUE[name].format(structure.fixed[name])}"
                rows.append(_row(name, fixed, CATALOGUE[name].format(neutral[name])))
        if rows:
            lines += [part.title, *rows]
    if structure.links:
        lines += ["", "= : linked, one control sets both"]
    return "\n".join(lines)


def _row(name: str, span: str, neutral: str) -> str:
    """Lay out one row."""
    return f"  {name:36}{span:24}{neutral:>14}"


def _range(parameter: Parameter) -> str:
    """Print a range in the units of a panel."""
    ends = [parameter.format(value) for value in parameter.choices] or [
        parameter.format(parameter.low),
        parameter.format(parameter.high),
    ]
    # "-50.0 to +50.0 cents" rather than the unit at each, where it is the same.
    unit = ends[-1].partition(" ")[2]
    if all(end.partition(" ")[2] == unit for end in ends):
        ends = [end.partition(" ")[0] for end in ends[:-1]] + ends[-1:]
    step = "" if parameter.step is None else f", step {parameter.step:g}"
    return (" or " if parameter.choices else " to ").join(ends) + step


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
        "fixed": {n: x for n, x in structure.fixed.items() if n not in structure.links},
    }
