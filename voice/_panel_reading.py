"""Reading the panel of a structure file: how each control counts, and what it is called.

One entry for each control, under the name of the parameter that it sets::

    [panel."filter.cutoff_hz"]
    label = "CUTOFF"
    knob = [0, 10]              # what the panel says at both ends ...
    values = [40, 16000]        # ... and what that is, in the unit of the parameter
    scale = "log"               # or "linear"
    step = 0.5
    midi = { cc = 74 }

    [panel."osc1.octave"]
    switch = ["-1", "0", "+1"]
    values = [-1, 0, 1]

    [panel."amp_env.release_s"]
    table = [[0, 0.02], [5, 0.4], [10, 6]]     # measured: panel, time
    errors = [0.001, 0.01, 0.2]
    times = "to-60-db"
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from shared import CATALOGUE, ParameterError, suggest_names
from voice.panel import Control, Controller, PanelScale, time_factor

if TYPE_CHECKING:
    from voice._mistakes import Mistakes

__all__: list[str] = []

PANEL_FIELDS = (
    "label", "knob", "switch", "table", "values", "scale", "step", "errors", "times", "sets",
    "midi", "origin", "before",
)  # fmt: skip
KINDS = ("knob", "switch", "table")
SCALES = ("linear", "log")
# Fields without which a control can still be read.
_OPTIONAL = frozenset({"scale", "step", "errors", "times"})
MIDI_FIELDS = ("cc", "nrpn", "bits", "values")


@dataclass
class Panel:
    """What was read: controls, and the links that switches bring."""

    controls: dict[str, Control] = field(default_factory=dict)
    links: dict[str, str] = field(default_factory=dict)
    link_values: dict[str, dict[float, float]] = field(default_factory=dict)


def read_panel(
    entries: Mapping[str, object],
    *,
    free: set[str],
    fixed: Mapping[str, float],
    mistakes: Mistakes,
) -> Panel:
    """Read all entries; wrong ones are left out and told."""
    panel = Panel()
    for name, entry in entries.items():
        is_set = name in free or name in fixed
        if not is_set:
            mistakes.add(
                ("panel", name),
                f"panel.{name}: {name} is not free; it must be a parameter under free or fixed. "
                "A linked one is set by the control that it is linked to.",
            )
        if not isinstance(entry, Mapping):
            mistakes.add(("panel", name), f"panel.{name}: a table is needed.")
        else:
            # Of an entry that nobody asks for, the other mistakes are told all the same.
            kept = panel if is_set else Panel()
            _read_entry(name, entry, kept, free | set(fixed), mistakes)
    _check_fixed(panel, fixed, mistakes)
    _check_controllers(panel, mistakes)
    return panel


def _read_entry(
    name: str, entry: Mapping[str, object], panel: Panel, taken: set[str], mistakes: Mistakes
) -> None:
    """Read one control, telling as many of its mistakes as can be told apart."""
    for key in entry:
        if key not in PANEL_FIELDS:
            hint = (
                suggest_names(key, PANEL_FIELDS) or f"It must be one of {', '.join(PANEL_FIELDS)}."
            )
            mistakes.add(("panel", name, key), f"panel.{name}.{key}: no such field. {hint}")
    label = entry.get("label", "")
    if not isinstance(label, str) or not _is_one_line(label):
        mistakes.add(
            ("panel", name, "label"),
            f"panel.{name}.label is {label!r}; it must be a line of text.",
        )
        label = ""
    for key, kind, form in (("origin", str, "a text"), ("before", Mapping, "a table")):
        if key in entry and not isinstance(entry[key], kind):
            mistakes.add(
                ("panel", name, key), f"panel.{name}.{key} is {entry[key]!r}; it must be {form}."
            )
    scale = _read_scale_or_tell(name, entry, mistakes)
    controller = None
    try:
        controller = _read_controller(entry, scale)
    except ParameterError as error:
        mistakes.add(("panel", name, "midi"), f"panel.{name}.midi: {error}")
    panel.controls[name] = Control(name, label, scale, controller)
    if "sets" in entry:
        _read_sets(name, entry["sets"], scale, panel, taken, mistakes)


def _read_scale_or_tell(
    name: str, entry: Mapping[str, object], mistakes: Mistakes
) -> PanelScale | None:
    """Read how a control counts; what can be left out is, to tell what else is wrong."""
    left = dict(entry)
    while True:
        try:
            scale = _read_scale(name, left)
        except ParameterError as error:
            place = _place(name, error)
            mistakes.add(place, f"panel.{name}: {error}")
            if place[-1] not in _OPTIONAL or place[-1] not in left:
                return None
            del left[place[-1]]
        else:
            return scale if len(left) == len(entry) else None


def _place(name: str, error: ParameterError) -> tuple[str, ...]:
    """Say in which field of an entry an error is."""
    field_name = {"points": "table"}.get(error.name or "", error.name or "")
    return ("panel", name, field_name) if field_name else ("panel", name)


def _read_scale(name: str, entry: Mapping[str, object]) -> PanelScale | None:
    """Read how a control counts; None where it counts in the parameter's unit."""
    kinds = [kind for kind in KINDS if kind in entry]
    if len(kinds) > 1:
        raise ParameterError(
            f"{' and '.join(kinds)} stand side by side; it must be one of {', '.join(KINDS)}.",
            name=kinds[1],
        )
    if not kinds:
        lonely = [key for key in ("values", "scale", "step", "errors", "times") if key in entry]
        if lonely:
            raise ParameterError(
                f"{lonely[0]} needs a knob, a switch or a table beside it.", name=lonely[0]
            )
        return None
    factor = 1.0
    times = entry.get("times")
    if times is not None:
        factor = time_factor(name, times if isinstance(times, str) else repr(times))
    options: dict[str, Any] = {"times": times, "step": _read_step(entry)}
    if kinds == ["switch"]:
        return _read_switch(name, entry)
    if kinds == ["table"]:
        points = _pairs(entry["table"])
        is_log = CATALOGUE[name].scale == "log" and all(value > 0.0 for _, value in points)
        options["errors"] = _read_errors(entry, len(points), factor)
    else:
        points, is_log = _read_knob(entry)
    scaled = tuple((place, factor * value) for place, value in points)
    return PanelScale(scaled, is_log=is_log, **options)


def _read_knob(entry: Mapping[str, object]) -> tuple[tuple[tuple[float, float], ...], bool]:
    """Read the two ends of a knob, and whether it counts in ratios."""
    places, values = _numbers(entry, "knob", n=2), _numbers(entry, "values", n=2)
    scale = entry.get("scale", "linear")
    if scale not in SCALES:
        raise ParameterError(
            f"scale is {scale!r}; it must be {' or '.join(SCALES)}.", name="scale"
        )
    return tuple(zip(places, values, strict=True)), scale == "log"


def _read_switch(name: str, entry: Mapping[str, object]) -> PanelScale:
    """Read a switch, whose values must be ones that the voice has."""
    for key in ("step", "scale", "errors", "times"):
        if key in entry:
            raise ParameterError(f"{key} has no meaning for a switch. Leave it out.", name=key)
    positions = entry["switch"]
    is_named = isinstance(positions, list) and all(
        isinstance(text, str) and text and _is_one_line(text) for text in positions
    )
    if not isinstance(positions, list) or not is_named or len(set(positions)) != len(positions):
        raise ParameterError(
            f"switch is {positions!r}; it must be a list of different names.", name="switch"
        )
    values = _numbers(entry, "values", n=len(positions))
    if len(set(values)) != len(values):
        raise ParameterError(f"values are {list(values)}; they must differ.", name="values")
    for value in values:
        CATALOGUE[name].validate(value)
    points = tuple((float(i), value) for i, value in enumerate(values))
    return PanelScale(points, is_switch=True, positions=tuple(positions))


def _read_step(entry: Mapping[str, object]) -> float | None:
    """Read the step of a panel."""
    if "step" not in entry:
        return None
    return _number(entry["step"], "step")


def _read_errors(entry: Mapping[str, object], n_points: int, factor: float) -> tuple[float, ...]:
    """Read the error bars of a table."""
    if "errors" not in entry:
        return ()
    errors = _numbers(entry, "errors", n=n_points)
    if any(error < 0.0 for error in errors):
        raise ParameterError(f"errors are {list(errors)}; it must be 0 or more.", name="errors")
    return tuple(factor * error for error in errors)


def _pairs(table: object) -> tuple[tuple[float, float], ...]:
    """Read the points of a table."""
    if not isinstance(table, list) or not all(
        isinstance(row, list) and len(row) == 2 for row in table
    ):
        raise ParameterError(
            "table is no list of points; it must be [[panel value, value], ...].", name="table"
        )
    return tuple((_number(row[0], "table"), _number(row[1], "table")) for row in table)


def _numbers(entry: Mapping[str, object], key: str, *, n: int) -> tuple[float, ...]:
    """Read a list of so many numbers."""
    given = entry.get(key)
    if not isinstance(given, list) or len(given) != n:
        raise ParameterError(f"{key} is {given!r}; it must be a list of {n} numbers.", name=key)
    return tuple(_number(value, key) for value in given)


def _number(value: object, key: str) -> float:
    """Read one finite number."""
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    # Whole numbers of TOML have no limit; no panel goes that far.
    if not isinstance(value, (int, float)) or not is_number or not abs(value) < 1e12:
        raise ParameterError(f"{key}: {value!r} is not a number of a panel.", name=key)
    return float(value)


def _is_one_line(text: str) -> bool:
    """Whether a text can stand in a table of the printout."""
    return text.isprintable() and len(text) <= 40


def _read_controller(entry: Mapping[str, object], scale: PanelScale | None) -> Controller | None:
    """Read the MIDI message of a control."""
    if "midi" not in entry:
        return None
    midi = entry["midi"]
    if not isinstance(midi, Mapping) or not set(midi) <= set(MIDI_FIELDS):
        raise ParameterError(
            f"{midi!r} is no controller; it must be a table of {', '.join(MIDI_FIELDS)}."
        )
    if ("cc" in midi) == ("nrpn" in midi):
        raise ParameterError("either cc or nrpn is needed.")
    is_nrpn = "nrpn" in midi
    data = midi.get("values", [])
    is_switch = scale is not None and scale.is_switch
    n_data = len(scale.points) if scale is not None and is_switch else 2
    if not isinstance(data, list) or ("values" in midi and len(data) != n_data):
        raise ParameterError(
            f"values are {data!r}; they must be {n_data} whole numbers, one for each "
            f"{'position' if is_switch else 'end of the knob'}."
        )
    ends = {"data": tuple(data)} if is_switch else dict(zip(("low", "high"), data, strict=False))
    return Controller(
        midi["nrpn" if is_nrpn else "cc"], bits=midi.get("bits", 7), is_nrpn=is_nrpn, **ends
    )


def _read_sets(
    name: str,
    sets: object,
    scale: PanelScale | None,
    panel: Panel,
    taken: set[str],
    mistakes: Mistakes,
) -> None:
    """Read what else a switch sets: a list of values for each parameter, position by position."""
    path = ("panel", name, "sets")
    if scale is None or not scale.is_switch or not isinstance(sets, Mapping):
        mistakes.add(
            path,
            f"panel.{name}.sets: a switch may set other parameters, with a table of lists; "
            f"{sets!r} is none.",
        )
        return
    for other, values in sets.items():
        if other not in CATALOGUE or other in taken or other in panel.links:
            reason = "no such parameter" if other not in CATALOGUE else "set elsewhere, too"
            mistakes.add(path, f"panel.{name}.sets.{other}: {reason}.")
            continue
        try:
            numbers = _numbers({other: values}, other, n=len(scale.points))
            checked = [CATALOGUE[other].validate(value) for value in numbers]
        except ParameterError as error:
            mistakes.add(path, f"panel.{name}.sets: {error}")
            continue
        panel.links[other] = name
        own = (value for _, value in scale.points)
        panel.link_values[other] = dict(zip(own, checked, strict=True))


def _check_fixed(panel: Panel, fixed: Mapping[str, float], mistakes: Mistakes) -> None:
    """Refuse fixed values between two steps of the panel."""
    for name, value in fixed.items():
        control = panel.controls.get(name)
        if control is None or control.scale is None:
            continue
        nearest = control.scale.value(control.scale.panel(value))
        if not math.isclose(nearest, value, rel_tol=1e-6, abs_tol=1e-9):
            mistakes.add(
                ("fixed", name),
                f"fixed.{name} is {value:g}, which the panel does not have; the nearest is "
                f"{nearest:.6g}.",
            )


def _check_controllers(panel: Panel, mistakes: Mistakes) -> None:
    """Refuse two controls on one controller, counting the fine half of 14 bits."""
    owners: dict[tuple[bool, int], str] = {}
    for name, control in panel.controls.items():
        midi = control.controller
        if midi is None:
            continue
        numbers = [midi.number]
        if midi.bits == 14 and not midi.is_nrpn:
            numbers.append(midi.number + 32)
        for number in numbers:
            owner = owners.setdefault((midi.is_nrpn, number), name)
            if owner != name:
                mistakes.add(
                    ("panel", name, "midi"),
                    f"panel.{name}.midi: {midi.text} already sets {owner}. Give each its own.",
                )
