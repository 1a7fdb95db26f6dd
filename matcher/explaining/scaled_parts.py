"""A part of a patch with one control: left out, as it is, exaggerated, alone or with the rest.

`matcher.explaining.audition` writes files for a whole patch; here one setting is made at a time,
for whoever moves a slider and listens.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from matcher.explaining._exaggerate import exaggerated
from matcher.explaining._switches import LEVELS, Switch, every_switch, works
from shared import CATALOGUE, ParameterError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import Note

__all__ = ["LARGEST_AMOUNT", "present_parts", "scaled_part"]

LARGEST_AMOUNT = 10.0
# What a part needs around it to be heard alone: something that sounds, in its octave.
_CARRIERS = (
    *LEVELS,
    *(f"osc{i}.{name}" for i in (1, 2) for name in ("octave", "pulse_width_ratio")),
)


def present_parts(values: Mapping[str, float]) -> tuple[str, ...]:
    """Name the parts that do something in a patch.

    Parameters
    ----------
    values : mapping of str to float
        All values of the patch.

    Returns
    -------
    tuple of str
        Titles that `scaled_part` takes.
    """
    return tuple(switch.title for switch in _present(values))


def scaled_part(
    values: Mapping[str, float], part: str, amount: float, note: Note, *, is_alone: bool = False
) -> dict[str, float]:
    """Set how much of a part there is.

    Parameters
    ----------
    values : mapping of str to float
        All values of the patch.
    part : str
        A title of `present_parts`.
    amount : float, 0 to 10
        0 leaves the part out, 1 is as it is, more exaggerates it. Depths stop at the ends of
        their ranges.
    note : Note
        What is going to be played; a filter is kept from swallowing it.
    is_alone : bool
        Whether everything else that moves or colours the sound rests at neutral; the waveforms
        stay, so that something is heard.

    Returns
    -------
    dict of str to float
        Values of the changed patch.

    Raises
    ------
    ParameterError
        If the part isn't there, the amount lies outside its range, or nothing would sound.
    """
    if not 0.0 <= amount <= LARGEST_AMOUNT:
        raise ParameterError(
            f"amount is {amount:g}; 0 to {LARGEST_AMOUNT:g} is accepted.",
            name="amount",
            value=amount,
        )
    switch = _named(values, part)
    changed = _scaled(values, switch, amount, note)
    if is_alone:
        around = {name: changed[name] for name in (*_CARRIERS, *switch.names)}
        changed = {**CATALOGUE.neutral(), **around}
    if not any(changed[name] > 0.0 for name in (*LEVELS, "noise.level")):
        raise ParameterError(
            f'"{switch.title}" is all that sounds here and can\'t be left out; take more.',
            name="amount",
            value=amount,
        )
    return changed


def _present(values: Mapping[str, float]) -> tuple[Switch, ...]:
    """List what does something in a patch."""
    return tuple(
        switch
        for switch in every_switch(values)
        if any(works(name, values) for name in switch.off)
    )


def _named(values: Mapping[str, float], part: str) -> Switch:
    """Find a part by its title."""
    present = _present(values)
    for switch in present:
        if switch.title == part:
            return switch
    titles = ", ".join(switch.title for switch in present)
    raise ParameterError(
        f'"{part}" does nothing in this patch; one of {titles} is accepted.',
        name="part",
        value=part,
    )


def _scaled(
    values: Mapping[str, float], switch: Switch, amount: float, note: Note
) -> dict[str, float]:
    """Scale a part from where it does nothing."""
    if amount == 0.0:
        return {**values, **switch.off}
    if amount == 1.0:
        return dict(values)
    if amount < 1.0 and set(switch.off) <= set(LEVELS):
        return {**values, **{name: amount * values[name] for name in switch.off}}
    return exaggerated(values, switch, amount, note)
