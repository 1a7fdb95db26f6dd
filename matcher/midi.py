"""A patch as MIDI: the messages that set the user's instrument, and a file that sends them.

Control changes with 7 or 14 bits and non-registered parameters, as in the MIDI 1.0 Detailed
Specification (from memory): of 14 bits the coarse half goes first; a non-registered parameter is
chosen by controllers 99 and 98, set by 6 (and 38), and let go by the null parameter on 101 and
100, so that a later data entry changes nothing. The file is a Standard MIDI File of type 0.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matcher.parts import parameter_label
from shared import ParameterError, write_atomic
from voice import Controller
from voice.panel import FINE_OFFSET, SOUND_CONTROLLERS

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from shared import Patch
    from voice import Structure

__all__ = ["MIDI_MAPS", "ControllerSetting", "controller_settings", "write_midi_file"]

MIDI_MAPS: Mapping[str, Mapping[str, int]] = {"sound-controllers": SOUND_CONTROLLERS}
NRPN_COARSE, NRPN_FINE, RPN_COARSE, RPN_FINE = 99, 98, 101, 100
DATA_COARSE, DATA_FINE = 6, 38
NULL = 127
TICKS_PER_BEAT = 480
TEMPO_US_PER_BEAT = 500_000
# A message of three bytes takes 1 ms on a MIDI cable (31250 baud); slow instruments need time to
# act on it. Common practice, no source.
SPACING_S = 0.02


@dataclass(frozen=True)
class ControllerSetting:
    """One control and the data that set it.

    Parameters
    ----------
    name : str
        The parameter.
    label : str
        What is printed on the panel.
    controller : Controller
        The MIDI message.
    data : int
        Its data, 0 to 127 or 16383.
    """

    name: str
    label: str
    controller: Controller
    data: int

    def control_changes(self) -> tuple[tuple[int, int], ...]:
        """Return the messages as pairs of controller number and value, in their order."""
        coarse, fine = divmod(self.data, 128)
        number = self.controller.number
        if not self.controller.is_nrpn:
            if self.controller.bits == 7:
                return ((number, self.data),)
            return (number, coarse), (number + FINE_OFFSET, fine)
        chosen = ((NRPN_COARSE, number // 128), (NRPN_FINE, number % 128))
        data: tuple[tuple[int, int], ...] = ((DATA_COARSE, self.data),)
        if self.controller.bits == 14:
            data = ((DATA_COARSE, coarse), (DATA_FINE, fine))
        return (*chosen, *data, (RPN_COARSE, NULL), (RPN_FINE, NULL))


def controller_settings(
    patch: Patch, structure: Structure, *, midi_map: str | None = None
) -> tuple[ControllerSetting, ...]:
    """Say what has to be sent.

    Parameters
    ----------
    patch : Patch
        The patch.
    structure : Structure
        The instrument; also controls at rest are set, as they may stand anywhere.
    midi_map : str, optional
        A name of `MIDI_MAPS`, for parameters that the structure gives no controller:
        ``"sound-controllers"`` are those of MIDI 1.0.

    Returns
    -------
    tuple of ControllerSetting
        In the order of the structure's file.

    Raises
    ------
    ParameterError
        If the map is unknown, or nothing has a controller.
    """
    if midi_map is not None and midi_map not in MIDI_MAPS:
        raise ParameterError(
            f"map is {midi_map!r}; it must be {', '.join(MIDI_MAPS)}.", name="map"
        )
    controllers = {
        name: control.controller
        for name, control in structure.controls.items()
        if control.controller is not None
    }
    taken = {controller.number for controller in controllers.values() if not controller.is_nrpn}
    mapped = {} if midi_map is None else MIDI_MAPS[midi_map]
    for name, number in mapped.items():
        if name in structure.space and name not in controllers and number not in taken:
            controllers[name] = Controller(number)
    if not controllers:
        raise ParameterError(
            f"{structure.name} gives no control a MIDI controller. Add midi to its panel, or "
            f"take --map {next(iter(MIDI_MAPS))}.",
            name="structure",
        )
    return tuple(
        _setting(name, controller, patch.values[name], structure)
        for name, controller in controllers.items()
    )


def write_midi_file(
    path: str | Path,
    settings: tuple[ControllerSetting, ...],
    *,
    channel: int = 1,
    overwrite: bool = False,
) -> None:
    """Write a Standard MIDI File that sets the instrument when it is played.

    Parameters
    ----------
    path : str or Path
        The file, ``.mid``.
    settings : tuple of ControllerSetting
        What to send.
    channel : int, 1 to 16
        The channel that the instrument listens on.
    overwrite : bool
        Whether a file of that name may be replaced.

    Raises
    ------
    ParameterError
        If the channel lies outside its range.
    FileError
        If the file exists or can't be written.
    """
    if not 1 <= channel <= 16:
        raise ParameterError(f"channel is {channel}; it must be 1 to 16.", name="channel")
    import mido  # noqa: PLC0415  only needed where a file is written

    track = mido.MidiTrack()
    track.append(mido.MetaMessage("track_name", name="earwright patch", time=0))
    track.append(mido.MetaMessage("set_tempo", tempo=TEMPO_US_PER_BEAT, time=0))
    spacing = round(SPACING_S * 1e6 / TEMPO_US_PER_BEAT * TICKS_PER_BEAT)
    for setting in settings:
        for i, (number, value) in enumerate(setting.control_changes()):
            track.append(
                mido.Message(
                    "control_change",
                    channel=channel - 1,
                    control=number,
                    value=value,
                    time=0 if i else spacing,
                )
            )
    track.append(mido.MetaMessage("end_of_track", time=spacing))
    file = mido.MidiFile(type=0, ticks_per_beat=TICKS_PER_BEAT, tracks=[track])
    content = io.BytesIO()
    file.save(file=content)
    write_atomic(path, content.getvalue(), overwrite=overwrite)


def _setting(
    name: str, controller: Controller, value: float, structure: Structure
) -> ControllerSetting:
    """Turn a value into data."""
    control = structure.controls.get(name)
    label = (control.label if control else "") or parameter_label(name)
    scale = control.scale if control else None
    if scale is None:
        # Without a panel scale, the data run over the range of the parameter as it is searched.
        parameter = structure.space[name]
        held = min(max(value, parameter.low), parameter.high)
        return ControllerSetting(
            name, label, controller, controller.data_for(parameter.encode(held))
        )
    place = scale.panel(value)
    if scale.is_switch:
        data = controller.data_for_position(round(place), len(scale.points))
    else:
        data = controller.data_for((place - scale.low) / (scale.high - scale.low))
    return ControllerSetting(name, label, controller, data)
