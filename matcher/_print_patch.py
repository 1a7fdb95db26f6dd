"""A patch as a table, part by part."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matcher._print_text import one_line
from matcher.parts import parameter_label, used_parameters, voice_parts
from shared import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import Patch
    from voice import Structure

__all__: list[str] = []


def format_patch(patch: Patch, structure: Structure | None = None) -> str:
    """Show a patch as a table, part by part.

    Parts and values that do nothing are left out: a silent oscillator with all that belongs to
    it, an LFO without depth.

    Parameters
    ----------
    patch : Patch
        The patch.
    structure : Structure, optional
        Says which parameters are linked.

    Returns
    -------
    str
        Value and name of each parameter that does something.
    """
    links = {} if structure is None else structure.links
    used = used_parameters(patch.values)
    lines = [f"Patch ({one_line(patch.structure)})"]
    for part in voice_parts():
        names = [name for name in part.names if name in used]
        if names:
            lines.append(f"  {part.title}")
            lines += [_patch_row(name, patch.values, links) for name in names]
    if any(name in links for name in used):
        lines.append("  (= : linked, one control sets both)")
    return "\n".join(lines)


def _patch_row(name: str, values: Mapping[str, float], links: Mapping[str, str]) -> str:
    """Lay out a row of the patch."""
    text = CATALOGUE[name].format(values[name])
    source = f"= {links[name]}" if name in links else name
    return f"    {parameter_label(name):20}{text:>16}   {source}"
