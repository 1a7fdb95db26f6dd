"""The JSON Schema of patch files, generated from the catalogue.

`shared.make_patch_schema` writes it to `patch.schema.json` beside this module. The schema is for
other programs: our own loader has its own checks, with messages for musicians.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shared.catalogue import CATALOGUE

if TYPE_CHECKING:
    from shared.parameters import Parameter

__all__ = ["PHASE_NAMES", "SCHEMA_PATH", "SCHEMA_VERSION", "build_patch_schema", "schema_text"]

SCHEMA_VERSION = 1
SCHEMA_PATH = Path(__file__).with_name("patch.schema.json")

# Where free-running parts stand when a note starts. Shifting both oscillators together can hardly
# be heard, but short windows see where in its cycle a low note sets in.
PHASE_NAMES = (
    "osc2.phase",
    "osc1.vibrato.phase",
    "osc2.vibrato.phase",
    "osc1.pwm.phase",
    "osc2.pwm.phase",
    "filter_lfo.phase",
    "osc1.phase",
)


def build_patch_schema() -> dict[str, Any]:
    """Describe patch files as JSON Schema, draft 2020-12.

    Returns
    -------
    dict
        The schema, ready for `json.dumps`.
    """
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "earwright patch",
        "description": "One state of a subtractive voice, in physical units.",
        "type": "object",
        "required": ["schema_version", "structure"],
        "additionalProperties": False,
        "properties": {
            "schema_version": {"const": SCHEMA_VERSION},
            "structure": {
                "type": "string",
                "minLength": 1,
                "description": "Name of the structure file that says which parts exist.",
            },
            "values": _object(
                {parameter.name: _number(parameter) for parameter in CATALOGUE},
                "Values by name; what is left out stands at its neutral value.",
            ),
            "provenance": {
                "type": "object",
                "description": "Where the patch comes from: target digest, seed, versions, loss.",
            },
            "phases": {
                "type": "array",
                "description": "For each note of the target, phases of free-running parts.",
                "items": _object(
                    {name: _phase() for name in PHASE_NAMES},
                    "Phases at the start of the note in cycles; what is left out is 0.",
                ),
            },
        },
    }


def schema_text() -> str:
    """Write the schema as text.

    Returns
    -------
    str
        Indented JSON that ends with a line feed, as the committed file holds it.
    """
    return json.dumps(build_patch_schema(), indent=2) + "\n"


def _object(properties: dict[str, Any], description: str) -> dict[str, Any]:
    """Describe an object that has these properties and no others."""
    return {
        "type": "object",
        "description": description,
        "additionalProperties": False,
        "properties": properties,
    }


def _number(parameter: Parameter) -> dict[str, Any]:
    """Describe the values of one parameter."""
    number: dict[str, Any] = {"type": "number"}
    if parameter.choices:
        number["enum"] = list(parameter.choices)
    else:
        number |= {"minimum": parameter.low, "maximum": parameter.high}
    if parameter.step is not None:
        # The grid goes through the neutral value; multipleOf only says so where that is 0.
        number["multipleOf"] = parameter.step
    unit = f" [{parameter.label}]" if parameter.label else ""
    return {**number, "default": parameter.neutral, "description": parameter.meaning + unit}


def _phase() -> dict[str, Any]:
    """Describe a phase in cycles."""
    return {"type": "number", "minimum": 0, "exclusiveMaximum": 1, "default": 0}
