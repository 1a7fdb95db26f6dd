"""Writing a table into a structure file, with everything else in it left as it is."""

from __future__ import annotations

import json
import math
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shared import CATALOGUE, StructureError, write_atomic
from voice._mistakes import find_lines
from voice.panel import time_factor
from voice.structure import load_structure, parse_structure

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.calibrating.table import Calibration

__all__ = ["check_can_hold", "with_table", "write_calibration"]

# What a table takes the place of.
REPLACED = ("knob", "values", "scale", "table", "errors", "origin", "before")
DIGITS = 5
# Ends that differ by fewer standard errors than this are the same.
SAME = 3.0


def check_can_hold(path: str | Path, parameter: str) -> None:
    """Refuse a file that can't take a table, before anything is measured.

    Parameters
    ----------
    path : str or Path
        A structure file of the user's.
    parameter : str
        The parameter that is going to be measured.

    Raises
    ------
    StructureError
        If it doesn't end in .toml or is wrong, or the parameter isn't free and has no control, or
        a switch for it.
    """
    if not str(path).endswith(".toml"):
        raise StructureError(
            f"{path} is no structure file of yours; it must be a .toml file. Make one with "
            "`earwright structures new my-synth.toml`.",
            path=path,
        )
    structure = load_structure(path)
    control = structure.controls.get(parameter)
    if control is not None and control.scale is not None and control.scale.is_switch:
        raise _switch_error(path, parameter)
    is_set = parameter in structure.space or control is not None
    if parameter in CATALOGUE and not is_set:
        raise StructureError(
            f"{path}: {parameter} is not free, so no control sets it. Add it under free first.",
            path=path,
        )


def write_calibration(path: str | Path, calibration: Calibration) -> None:
    """Write a table into a structure file.

    Parameters
    ----------
    path : str or Path
        The file.
    calibration : Calibration
        What was measured.

    Raises
    ------
    StructureError
        If the file can't be read, or would not be right with this table; it stays as it is.
    FileError
        If it can't be written.
    """
    text = Path(path).read_text(encoding="utf-8")
    changed = with_table(text, calibration, source=str(path))
    write_atomic(path, changed, overwrite=True)


def with_table(
    text: str,
    calibration: Calibration,
    *,
    source: str,
    more: Mapping[str, object] | None = None,
) -> str:
    """Put a table into the text of a structure file that messages call `source`.

    The control's ends are replaced by the table, in the convention for times that the file names,
    and `more` fields. Label, step, controller and remarks stay.
    """
    name = calibration.parameter
    entry = tomllib.loads(text).get("panel", {}).get(name, {})
    if len(calibration.table) < 2:
        raise StructureError(
            f"{source}, panel.{name}: two places or more make a table, and "
            f"{len(calibration.table)} was measured. Record more positions.",
            path=source,
        )
    if "switch" in entry:
        raise _switch_error(source, name)
    first, last = calibration.table[0], calibration.table[-1]
    if abs(last.value - first.value) <= SAME * math.hypot(first.error, last.error):
        raise StructureError(
            f"{source}, panel.{name}: from {first.panel:g} to {last.panel:g} the measured value "
            "stays the same within its errors, so nothing is written. Was this the control?",
            path=source,
        )
    factor = time_factor(name, entry["times"]) if "times" in entry else 1.0
    new = {
        "table": [[point.panel, _rounded(point.value / factor)] for point in calibration.table],
        "errors": [_rounded(point.error / factor, 2) for point in calibration.table],
    }
    changed = replace_entry(text, name, entry, {**new, **(more or {})})
    # Nobody's file is replaced by one that can't be read.
    parse_structure(changed, source=source)
    return changed


def _switch_error(path: str | Path, name: str) -> StructureError:
    """Say that a switch has no table."""
    return StructureError(
        f"{path}, panel.{name}: it is a switch; write what was measured into its values.",
        path=path,
    )


def replace_entry(text: str, name: str, entry: Mapping[str, Any], new: Mapping[str, Any]) -> str:
    """Change the lines of one control, or add them at the end."""
    lines = text.splitlines(keepends=True)
    if lines and not lines[-1].endswith("\n"):
        lines[-1] += "\n"
    spans = find_lines(text)
    path = ("panel", name)
    added = [f"{key} = {_toml(value)}\n" for key, value in new.items()]
    if not entry and path not in spans:
        return "".join([*lines, "\n", f"[panel.{json.dumps(name)}]\n", *added])
    first = spans[path].first
    if lines[first - 1].lstrip().startswith("["):
        old = {
            line
            for key in REPLACED
            if (*path, key) in spans
            for line in range(spans[*path, key].first, spans[*path, key].last + 1)
        }
        kept = [line for i, line in enumerate(lines, 1) if i not in old]
        place = first - sum(line < first for line in old)
        return "".join([*kept[:place], *added, *kept[place:]])
    # An entry on a line of its own, under [panel].
    inline = {**{key: value for key, value in entry.items() if key not in REPLACED}, **new}
    body = ", ".join(f"{key} = {_toml(value)}" for key, value in inline.items())
    lines[first - 1 : spans[path].last] = [f"{json.dumps(name)} = {{ {body} }}\n"]
    return "".join(lines)


def _toml(value: object) -> str:
    """Write a value of a structure file as TOML."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, float):
        return f"{value:.{DIGITS + 1}g}" if value == int(value) else repr(value)
    # Texts, whole numbers and truth values are written as in JSON.
    return json.dumps(value, ensure_ascii=False)


def _key(key: str) -> str:
    """Write a key, in quotes if it has dots."""
    return key if key.isidentifier() else json.dumps(key)


def _rounded(value: float, digits: int = DIGITS) -> float:
    """Keep the digits that a measurement can have."""
    return float(f"{value:.{digits}g}")
