"""Structures that the page offers, and their controls as it shows them."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from matcher.page.workspace import free_file, plain_file_name
from matcher.parts import parameter_label, used_parameters, voice_parts
from matcher.runs.layout import safe_name
from matcher.sheet import panel_text, setting_text
from matcher.voice_map import SWITCHES
from shared import CATALOGUE, EarwrightError, ParameterError, StructureError, write_atomic
from voice import list_structures, load_structure

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.page.workspace import Workspace
    from shared import Parameter
    from voice import Structure

MAX_STRUCTURE_BYTES = 200_000
MAX_STRUCTURES = 100
SUFFIX = ".toml"
# Places of a slider: fine enough to hear no steps, few enough to be sent once.
N_PLACES = 201


@lru_cache(maxsize=1)
def _shipped() -> tuple[Mapping[str, object], ...]:
    """Describe the structures that come along; they stay as they are."""
    return tuple(
        {"name": name, "meaning": load_structure(name).meaning, "is_own": False}
        for name in list_structures()
    )


class PageStructures:
    """The structures that come along, and the user's own files in a workspace."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace

    def list_all(self) -> list[dict[str, object]]:
        """List the structures: shipped ones, then the user's own."""
        found = [dict(each) for each in _shipped()]
        for name in self._own_names():
            try:
                meaning = self.load(name).meaning
            except EarwrightError as error:
                meaning = str(error)
            found.append({"name": name, "meaning": meaning, "is_own": True})
        return found

    def source(self, name: str) -> str:
        """Return what `voice.load_structure` takes, in the workspace, for a name of the list."""
        if not name.endswith(SUFFIX):
            if name not in list_structures():
                raise StructureError(
                    f'structure is "{name[:80]}"; it must be {", ".join(list_structures())}, '
                    "or a file of your own.",
                    name="structure",
                )
            return name
        path = self._workspace.existing(self._workspace.structures, name)
        return path.relative_to(self._workspace.root).as_posix()

    def load(self, name: str) -> Structure:
        """Load a structure of the list."""
        source = self.source(name)
        is_file = source.endswith(SUFFIX)
        return load_structure(self._workspace.root / source if is_file else source)

    def add(self, file_name: str, content: bytes) -> str:
        """Keep a file of the user's own if it can be understood; return its name in the list."""
        plain = plain_file_name(file_name)
        if not plain.lower().endswith(SUFFIX):
            raise StructureError(
                f'"{plain[:80]}" is no structure file by its name; it must end in {SUFFIX}.'
            )
        if len(self._own_names()) >= MAX_STRUCTURES:
            raise ParameterError(f"there are {MAX_STRUCTURES} structures already; remove some.")
        folder = self._workspace.structures
        folder.mkdir(parents=True, exist_ok=True)
        path = free_file(folder, safe_name(plain[: -len(SUFFIX)], default="structure"), SUFFIX)
        try:
            write_atomic(path, content, overwrite=False)
            load_structure(path)
        except Exception:
            path.unlink(missing_ok=True)
            raise
        return path.name

    def _own_names(self) -> list[str]:
        """List the user's own files."""
        folder = self._workspace.structures
        return sorted(path.name for path in folder.glob(f"*{SUFFIX}")) if folder.is_dir() else []


def describe_parameters(structure: Structure) -> list[dict[str, object]]:
    """Describe the parts that a voice has, in the order of a panel, and their controls.

    ``neutral`` of a part says what switches it off. A slider moves along the ``places`` of its
    control: value, text, and its setting on the panel, if there is one.
    """
    parts: list[dict[str, object]] = []
    for part in voice_parts():
        controls = [_control(structure, name) for name in part.names if _exists(structure, name)]
        if controls:
            switches = [
                name for name in part.names if name in SWITCHES and name in structure.settable
            ]
            # A waveform's level does nothing at 0.
            neutral = {
                name: 0.0 if name.endswith("_level") else CATALOGUE[name].neutral
                for name in switches
            }
            parts.append({"title": part.title, "controls": controls, "neutral": neutral})
    return parts


def describe_values(values: Mapping[str, float]) -> dict[str, dict[str, object]]:
    """Print values, and say which of them do something."""
    used = used_parameters(values)
    return {
        name: {
            "value": value,
            "text": setting_text(name, value),
            "is_used": name in used,
            "is_neutral": value == CATALOGUE[name].neutral,
        }
        for name, value in values.items()
    }


def _exists(structure: Structure, name: str) -> bool:
    """Say whether a voice has a parameter: free, linked, or set to something."""
    if name in structure.settable or name in structure.links:
        return True
    return structure.fixed[name] != CATALOGUE[name].neutral


def _control(structure: Structure, name: str) -> dict[str, object]:
    """Describe one control."""
    is_free = name in structure.settable
    parameter = structure.settable[name] if is_free else CATALOGUE[name]
    control = structure.controls.get(name)
    return {
        "name": name,
        "label": (control.label if control else "") or parameter_label(name),
        "unit": parameter.label,
        "group": parameter.group,
        "meaning": parameter.meaning,
        "low": parameter.low,
        "high": parameter.high,
        "neutral": parameter.neutral,
        "accepted": parameter.accepted,
        "is_free": is_free,
        "is_stepped": bool(parameter.choices) or parameter.step is not None,
        "linked_to": structure.links.get(name),
        "places": [
            (value, text, panel_text(name, value, structure)) for value, text in _places(parameter)
        ],
    }


@lru_cache(maxsize=512)
def _places(parameter: Parameter) -> tuple[tuple[float, str], ...]:
    """Return the values that a slider stops at, rising, with their texts."""
    return tuple((value, setting_text(parameter.name, value)) for value in _values(parameter))


def _values(parameter: Parameter) -> list[float]:
    """Return the values that a slider stops at, rising."""
    if parameter.choices:
        return list(parameter.choices)
    if parameter.low == parameter.high:
        return [parameter.low]
    step = parameter.step
    is_coarse = step is not None and (parameter.high - parameter.low) / step < N_PLACES
    units = np.linspace(0.0, 1.0, 4 * N_PLACES if is_coarse else N_PLACES)
    values = {float(parameter.decode(float(unit))) for unit in units}
    if parameter.low <= parameter.neutral <= parameter.high:
        values.add(float(parameter.neutral))
    return sorted(values)
