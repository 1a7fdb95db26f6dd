"""What differs between two patches, value by value."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from matcher.parts import parameter_label, used_parameters, voice_parts
from shared import CATALOGUE

if TYPE_CHECKING:
    from shared import Patch

__all__ = ["PatchChange", "compare_patches"]


@dataclass(frozen=True)
class PatchChange:
    """One parameter that differs between two patches.

    Parameters
    ----------
    name : str
        The parameter.
    part, label : str
        Title of its part of the voice, and what the control is called there.
    before, after : float
        Both values in physical units.
    before_text, after_text : str
        The same as on a panel, with units.
    is_used : bool
        Whether the parameter does something in at least one of the two patches.
    """

    name: str
    part: str
    label: str
    before: float
    after: float
    before_text: str
    after_text: str
    is_used: bool


def compare_patches(a: Patch, b: Patch) -> tuple[PatchChange, ...]:
    """List the parameters whose values differ.

    Phases don't count: they belong to a performance, and nobody can dial them in.

    Parameters
    ----------
    a, b : Patch
        Before and after.

    Returns
    -------
    tuple of PatchChange
        In the order in which a patch is read; empty if all values are equal to the bit.
    """
    used = used_parameters(a.values) | used_parameters(b.values)
    return tuple(
        PatchChange(
            name,
            part.title,
            parameter_label(name),
            a.values[name],
            b.values[name],
            CATALOGUE[name].format(a.values[name]),
            CATALOGUE[name].format(b.values[name]),
            name in used,
        )
        for part in voice_parts()
        for name in part.names
        if a.values[name] != b.values[name]
    )
