"""Parameters as the page shows them: parts, labels, and a scale to move along."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from matcher.parts import parameter_label, used_parameters, voice_parts
from matcher.search.plain import SWITCHES
from matcher.sheet import panel_text
from shared import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import Parameter
    from voice import Structure

__all__ = ["describe_parameters", "describe_values"]

# Places of a slider: fine enough to hear no steps, few enough to be sent once.
N_PLACES = 201


def describe_parameters(structure: Structure) -> list[dict[str, object]]:
    """Describe the parts of a voice and their controls.

    Parameters
    ----------
    structure : Structure
        The voice; what it doesn't have is left out.

    Returns
    -------
    list of dict
        Parts in the order of a panel: ``title`` and ``controls``. Each control has a scale of
        ``places`` (value, text, and where it stands on the panel, if there is one), along which
        a slider moves. ``neutral`` of a part says what switches it off.
    """
    parts: list[dict[str, object]] = []
    for part in voice_parts():
        controls = [_control(structure, name) for name in part.names if _exists(structure, name)]
        if controls:
            neutral = {name: _off(name) for name in part.names if _is_switch(structure, name)}
            parts.append({"title": part.title, "controls": controls, "neutral": neutral})
    return parts


def describe_values(values: Mapping[str, float]) -> dict[str, dict[str, object]]:
    """Print values.

    Parameters
    ----------
    values : mapping of str to float
        All values of a patch.

    Returns
    -------
    dict
        For each name ``value``, ``text``, whether it ``is_used`` and ``is_neutral``.
    """
    used = used_parameters(values)
    return {
        name: {
            "value": value,
            "text": CATALOGUE[name].format(value),
            "is_used": name in used,
            "is_neutral": value == CATALOGUE[name].neutral,
        }
        for name, value in values.items()
    }


def _exists(structure: Structure, name: str) -> bool:
    """Say whether a voice has a parameter: free, linked, or set to something."""
    if name in structure.space or name in structure.links:
        return True
    return structure.fixed[name] != CATALOGUE[name].neutral


def _is_switch(structure: Structure, name: str) -> bool:
    """Say whether a control switches its part off and may be moved."""
    return name in SWITCHES and name in structure.space


def _off(name: str) -> float:
    """Return the value at which a part does nothing; a waveform's level is then 0."""
    return 0.0 if name.endswith("_level") else CATALOGUE[name].neutral


def _control(structure: Structure, name: str) -> dict[str, object]:
    """Describe one control."""
    is_free = name in structure.space
    parameter = structure.space[name] if is_free else CATALOGUE[name]
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
        "linked_to": structure.links.get(name),
        "places": [
            (value, text, panel_text(name, value, structure)) for value, text in _places(parameter)
        ],
    }


@lru_cache(maxsize=512)
def _places(parameter: Parameter) -> tuple[tuple[float, str], ...]:
    """Return the values that a slider stops at, rising, with their texts."""
    return tuple((value, parameter.format(value)) for value in _values(parameter))


def _values(parameter: Parameter) -> list[float]:
    """Return the values that a slider stops at, rising."""
    if parameter.choices:
        return list(parameter.choices)
    if parameter.low == parameter.high:
        return [parameter.low]
    if parameter.step is not None and (parameter.high - parameter.low) / parameter.step < N_PLACES:
        units = np.linspace(0.0, 1.0, 4 * N_PLACES)
    else:
        units = np.linspace(0.0, 1.0, N_PLACES)
    values = {float(parameter.decode(float(unit))) for unit in units}
    if parameter.low <= parameter.neutral <= parameter.high:
        values.add(float(parameter.neutral))
    return sorted(values)
