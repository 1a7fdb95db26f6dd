"""The patch sheet: what to set on the user's instrument, control by control.

The one place that turns values into the numbers of a panel: the loudest of the mixer is 100 %,
shares are percent, and decay and release say how they count. For a structure with a panel each
row says where the control has to stand, in the panel's own values, and what one step of it up or
down does to the ear.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from matcher.parts import parameter_label, used_parameters, voice_parts
from matcher.voice_map import LEVELS, SWITCHES
from shared import CATALOGUE, Note
from voice.panel import TIME_CONVENTIONS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import Patch
    from voice import Structure

__all__ = ["SheetRow", "panel_text", "patch_sheet", "plain_sheet", "resting_controls"]

# How far a fall has gone after the time that is told, in each convention that can be chosen.
TIMES = {"to-10-percent": "to 10 %", "to-60-db": "to -60 dB", "time-constant": "to 37 %"}
# What most panels mean: common practice, no source.
DEFAULT_TIMES = "to-10-percent"
_FALLS = (".decay_s", ".release_s")
_SHARES = frozenset({"level", "ratio"})


@dataclass(frozen=True)
class SheetRow:
    """One control of a patch sheet.

    Parameters
    ----------
    part : str
        Title of the part of the voice: ``"filter envelope"``.
    label : str
        What is printed on the panel beside the control, or else what it is called in its part.
    name : str
        The parameter.
    value : str
        Its value in the units of a musician: ``"240 ms"``.
    panel : str or None
        Where the control is on the user's panel: ``"6.5"``, ``"+1"``; None without a panel
        scale.
    step : str or None
        What one step up or down does in audible terms; None without a panel scale.
    linked_to : str or None
        The parameter whose control sets this one too; then there is nothing to dial in here.
    controller : str or None
        The MIDI controller: ``"CC 74"``.
    """

    part: str
    label: str
    name: str
    value: str
    panel: str | None = None
    step: str | None = None
    linked_to: str | None = None
    controller: str | None = None

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        return dict(vars(self))


def patch_sheet(
    patch: Patch,
    structure: Structure | None = None,
    *,
    note: Note | None = None,
    times: str = "",
) -> tuple[SheetRow, ...]:
    """List what has to be set, part by part.

    Parts and values that do nothing are left out: a silent oscillator with all that belongs to
    it, an LFO without depth. So is what a user's panel has no control for.

    Parameters
    ----------
    patch : Patch
        The patch.
    structure : Structure, optional
        Says which parameters are linked and how the panel counts.
    note : Note, optional
        The note on which steps are judged; C4 at velocity 100, held for 0.6 s, if left out.
    times : str
        How decay and release count, a key of `TIMES`; as the structure says, or else as most
        panels mean them.

    Returns
    -------
    tuple of SheetRow
        In the order in which a patch is read.
    """
    rows = plain_sheet(patch, structure, times=times)
    if structure is None:
        return rows
    steps = _steps(patch, structure, {row.name for row in rows}, note)
    return tuple(replace(row, step=steps.get(row.name)) for row in rows)


def plain_sheet(
    patch: Patch, structure: Structure | None = None, *, times: str = ""
) -> tuple[SheetRow, ...]:
    """List what has to be set, without judging steps, which takes playing the patch."""
    links = {} if structure is None else structure.links
    used = used_parameters(patch.values)
    # The control of a linked parameter has to be set, even if its own oscillator is silent.
    shown = used | {links[name] for name in used if name in links}
    return tuple(
        _row(part.title, name, patch, structure, times)
        for part in voice_parts()
        for name in part.names
        if name in shown and not (structure and _is_built_in(name, structure))
    )


def panel_values(values: Mapping[str, float]) -> dict[str, float]:
    """Scale the mixer so that the loudest is 1, and the drive against it: the same sound.

    The drive gives its gain before it bends, so that what the mixer gains is taken off there.
    """
    mixer = (*LEVELS, "noise.level")
    loudest = max(values[name] for name in mixer)
    if loudest <= 0.0:
        return dict(values)
    scaled = {**values, **{name: values[name] / loudest for name in mixer}}
    if values["filter.drive_db"] > 0.0:
        scaled["filter.drive_db"] += 20.0 * math.log10(loudest)
    return scaled


def setting_text(name: str, value: float, times: str = DEFAULT_TIMES) -> str:
    """Print a value as a panel shows it: ``"70 %"``, ``"690 ms to 10 %"``, ``"2.32 kHz"``."""
    parameter = CATALOGUE[name]
    if parameter.unit in _SHARES:
        percent = 100.0 * value
        digits = 1 if 0.0 < abs(percent) < 10.0 else 0
        sign = "+" if parameter.low < 0.0 else ""
        return f"{percent:{sign}.{digits}f} %"
    if name.endswith(_FALLS):
        return f"{parameter.format(value / TIME_CONVENTIONS[times])} {TIMES[times]}"
    return parameter.format(value)


def _row(
    part: str, name: str, patch: Patch, structure: Structure | None, times: str = ""
) -> SheetRow:
    """Describe one control."""
    control = None if structure is None else structure.controls.get(name)
    controller = None if control is None else control.controller
    return SheetRow(
        part,
        (control.label if control else "") or parameter_label(name),
        name,
        setting_text(
            name,
            panel_values(patch.values)[name],
            times or (structure.times if structure else "") or DEFAULT_TIMES,
        ),
        panel_text(name, patch.values[name], structure),
        None,
        None if structure is None else structure.links.get(name),
        controller.text if controller else None,
    )


def resting_controls(patch: Patch, structure: Structure) -> tuple[SheetRow, ...]:
    """List the controls of a panel that have to stand where their part does nothing.

    Parameters
    ----------
    patch : Patch
        The patch.
    structure : Structure
        The user's instrument.

    Returns
    -------
    tuple of SheetRow
        Levels, depths and switches that the sheet leaves out; empty without a panel.
    """
    listed = {row.name for row in plain_sheet(patch, structure)}
    return tuple(
        _row(part.title, name, patch, structure)
        for part in voice_parts()
        for name in part.names
        if name in structure.controls and name in SWITCHES and name not in listed
    )


def panel_text(name: str, value: float, structure: Structure | None) -> str | None:
    """Say where a control is, as printed on the panel; None without a panel scale."""
    control = None if structure is None else structure.controls.get(name)
    if control is None or control.scale is None:
        return None
    return control.scale.text(control.scale.panel(value))


def _is_built_in(name: str, structure: Structure) -> bool:
    """Whether an instrument with a panel always has this value, and no control for it."""
    settable = (structure.settable, structure.links, structure.controls)
    return bool(structure.controls) and not any(name in known for known in settable)


def _steps(
    patch: Patch, structure: Structure, names: set[str], note: Note | None
) -> dict[str, str]:
    """Say what a step of each control that has a panel scale does."""
    scaled = [
        name
        for name in CATALOGUE.names
        if name in names and name in structure.controls and structure.controls[name].scale
    ]
    if not scaled:
        return {}
    from matcher.step_effects import describe_steps  # noqa: PLC0415  loads the voice

    return describe_steps(patch, structure, scaled, note=note)
