"""Biases in a structure file: a measured table in the place of what the panel says.

The form is that of `matcher.calibrating`; ``origin`` says where the table comes from, and
``before`` keeps what stood there, so that it can be forgotten. Between the places that were
measured the bias is taken for a straight line, and at the ends of the knob for 0: knobs lie in
their middle (common practice, no source).
"""

from __future__ import annotations

import itertools
import tomllib
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.calibrating import Calibration, CalibrationPoint
from matcher.calibrating.writing import REPLACED, replace_entry, with_table
from shared import CATALOGUE, StructureError, write_atomic
from voice import load_structure
from voice.structure import parse_structure

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from voice.panel import PanelScale

__all__ = ["Bias", "forget_biases", "remember_biases"]

# Places of a table between the ends, besides those that were measured.
N_PLACES = 5


@dataclass(frozen=True)
class Bias:
    """By how much a control is off where it was dialled to a value: a share of its range."""

    value: float
    bias: float
    error: float


def remember_biases(
    path: Path, biases: Mapping[str, Sequence[Bias]], *, origin: str, dry_run: bool
) -> tuple[str, ...]:
    """Write tables of the controls that are known to be off; return which.

    What the panel said before takes counts, not the tables that were made of earlier ones. The old
    file is kept beside the new one.
    """
    text = path.read_text(encoding="utf-8")
    plain, _ = _forgotten(text, str(path))
    structure = parse_structure(plain, source=str(path))
    written = []
    for name, found in biases.items():
        control = structure.controls.get(name)
        if control is None or control.scale is None or control.scale.is_switch:
            continue
        entry = tomllib.loads(plain)["panel"][name]
        before = {key: entry[key] for key in REPLACED if key in entry}
        table = Calibration(name, _points(control.scale, name, found))
        more = {"origin": origin, "before": before}
        plain = with_table(plain, table, source=str(path), more=more)
        written.append(name)
    if written and not dry_run and plain != text:
        _replace_file(path, text, plain)
    return tuple(written)


def forget_biases(path: Path) -> tuple[str, ...]:
    """Put back what the panel said before takes; return the controls."""
    load_structure(path)
    text = path.read_text(encoding="utf-8")
    plain, names = _forgotten(text, str(path))
    if names:
        parse_structure(plain, source=str(path))
        _replace_file(path, text, plain)
    return names


def _forgotten(text: str, source: str) -> tuple[str, tuple[str, ...]]:
    """Take the tables that come from takes out of a structure file."""
    try:
        panel = tomllib.loads(text).get("panel", {})
    except tomllib.TOMLDecodeError as error:
        raise StructureError(f"{source} is no TOML: {error}.", path=source) from error
    names = [
        name for name, entry in panel.items() if isinstance(entry, dict) and "before" in entry
    ]
    for name in names:
        text = replace_entry(text, name, panel[name], panel[name]["before"])
    return text, tuple(names)


def _replace_file(path: Path, old: str, new: str) -> None:
    """Keep the old file under a free name, then write the new one."""
    spares = (path.with_name(f"{path.name}.before-{n}") for n in itertools.count(1))
    write_atomic(next(spare for spare in spares if not spare.exists()), old, overwrite=False)
    write_atomic(path, new, overwrite=True)


def _points(scale: PanelScale, name: str, found: Sequence[Bias]) -> tuple[CalibrationPoint, ...]:
    """Bend what the panel says by what was measured."""
    parameter = CATALOGUE[name]
    measured: dict[float, list[Bias]] = defaultdict(list)
    for each in found:
        measured[round(scale.panel(each.value), 3)].append(each)
    places = sorted({*np.linspace(scale.low, scale.high, N_PLACES).tolist(), *measured})
    known = sorted(measured)
    biases = [float(np.mean([x.bias for x in measured[place]])) for place in known]
    ends = {scale.low: 0.0, scale.high: 0.0} | dict(zip(known, biases, strict=True))
    at, off = np.array(sorted(ends.items())).T
    points = []
    for place in places:
        printed = float(
            parameter.encode(np.clip(scale.value(place), parameter.low, parameter.high))
        )
        bias = float(np.interp(place, at, off))
        here = measured.get(place)
        # Where nothing was measured, the bias itself is the doubt.
        error = float(np.mean([x.error for x in here])) if here else max(abs(bias), 0.01)
        low, mid, high = (
            float(parameter.decode(np.clip(printed + bias + side, 0.0, 1.0)))
            for side in (-error, 0.0, error)
        )
        points.append(CalibrationPoint(place, mid, abs(high - low) / 2.0, ()))
    return _rising(points)


def _rising(points: Sequence[CalibrationPoint]) -> tuple[CalibrationPoint, ...]:
    """Leave out what would make a table turn back: places that were measured win over others."""
    kept = [points[0]]
    sign = 1.0 if points[-1].value > points[0].value else -1.0
    for point in points[1:]:
        if sign * (point.value - kept[-1].value) > 0.0:
            kept.append(point)
    return tuple(kept)
