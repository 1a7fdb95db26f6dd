"""The JSON Schema of structure files, generated from the catalogue.

`earwright structures schema` prints it. It is for editors, which show names, units and ranges
while a file is written; our own reader has its own checks, with messages for musicians, and sees
more (that links lead somewhere, that points rise).
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from shared import CATALOGUE
from voice._structure_reading import FALL_TIMES, POLARITIES, SCHEMA_VERSION
from voice.panel import TIME_CONVENTIONS

if TYPE_CHECKING:
    from shared import Parameter

__all__ = ["build_structure_schema", "structure_schema_text"]

# Lists of one value for each position or point.
_NUMBERS: dict[str, Any] = {"type": "array", "items": {"type": "number"}, "minItems": 2}


def build_structure_schema() -> dict[str, Any]:
    """Describe structure files as JSON Schema, draft 2020-12."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "earwright structure",
        "description": "Which parts of the voice exist, what may move, and how a panel counts.",
        "type": "object",
        "required": ["schema_version", "name", "meaning", "free"],
        "additionalProperties": False,
        "properties": {
            "schema_version": {"const": SCHEMA_VERSION},
            "name": {"type": "string", "minLength": 1, "description": "Name of the structure."},
            "meaning": {"type": "string", "minLength": 1, "description": "What it consists of."},
            "pulse_polarity": {
                "enum": list(POLARITIES),
                "description": "Whether pulses jump as sawtooths do.",
            },
            "times": {"enum": list(FALL_TIMES), "description": "How decay and release count."},
            "midi_channel": _whole(1, 16, "Channel that the instrument listens on."),
            "equaliser": {
                "type": "boolean",
                "description": "Whether an equaliser follows in the mixer (it does).",
            },
            "fixed": _by_parameter(_value, "Parameters away from neutral that nothing moves."),
            "free": {
                **_by_parameter(_range, "Parameters with a control of their own."),
                "minProperties": 1,
            },
            "links": _by_parameter(_link, "Parameters that follow a free one."),
            "panel": _by_parameter(_control, "How the controls of the instrument count."),
        },
        "$defs": {
            "control": _control_fields({}),
            "time_control": _control_fields({"times": {"enum": list(TIME_CONVENTIONS)}}),
            "sets": {
                "type": "object",
                "description": "What else each position of a switch sets.",
                "propertyNames": {"enum": list(CATALOGUE.names)},
                "additionalProperties": _NUMBERS,
            },
            **{
                f"unit_{unit}": {"enum": [p.name for p in CATALOGUE if p.unit == unit]}
                for unit in sorted({p.unit for p in CATALOGUE})
            },
        },
    }


def structure_schema_text() -> str:
    """Write the schema as text."""
    return json.dumps(build_structure_schema(), indent=2) + "\n"


def _by_parameter(describe: Any, description: str) -> dict[str, Any]:  # noqa: ANN401
    """Describe a table whose keys are parameters."""
    return {
        "type": "object",
        "description": description,
        "additionalProperties": False,
        "properties": {parameter.name: describe(parameter) for parameter in CATALOGUE},
    }


def _number(parameter: Parameter) -> dict[str, Any]:
    """Describe a value of a parameter."""
    if parameter.choices:
        return {"type": "number", "enum": list(parameter.choices)}
    return {"type": "number", "minimum": parameter.low, "maximum": parameter.high}


def _text(parameter: Parameter) -> str:
    """Describe a parameter in a line."""
    unit = f" [{parameter.label}]" if parameter.label else ""
    return parameter.meaning + unit


def _value(parameter: Parameter) -> dict[str, Any]:
    """Describe a fixed value."""
    return {**_number(parameter), "description": _text(parameter)}


def _range(parameter: Parameter) -> dict[str, Any]:
    """Describe a range."""
    number = _number(parameter)
    return {
        "type": "object",
        "description": _text(parameter),
        "additionalProperties": False,
        "properties": {
            "low": number,
            "high": number,
            "step": {"type": "number", "exclusiveMinimum": 0},
            "choices": {"type": "array", "items": number, "minItems": 1},
        },
    }


def _link(parameter: Parameter) -> dict[str, Any]:
    """Describe a link: it leads to a parameter of the same unit."""
    return {"$ref": f"#/$defs/unit_{parameter.unit}", "description": _text(parameter)}


def _control(parameter: Parameter) -> dict[str, Any]:
    """Describe how the control of a parameter counts."""
    is_time = parameter.name.endswith((".attack_s", ".decay_s", ".release_s"))
    kind = "time_control" if is_time else "control"
    return {"$ref": f"#/$defs/{kind}", "description": _text(parameter)}


def _control_fields(more: dict[str, Any]) -> dict[str, Any]:
    """Describe the fields of a control."""
    properties: dict[str, Any] = {
        "label": {"type": "string", "maxLength": 40, "description": "What the panel says."},
        "knob": _pair("What the panel says at both ends."),
        "switch": {
            "type": "array",
            "items": {"type": "string", "minLength": 1, "maxLength": 40},
            "minItems": 2,
            "uniqueItems": True,
            "description": "Names of the positions.",
        },
        "table": {
            "type": "array",
            "items": _pair("Panel value, physical value."),
            "minItems": 2,
            "description": "Measured points.",
        },
        "values": {**_NUMBERS, "description": "Physical values at the ends, or by position."},
        "scale": {"enum": ["linear", "log"]},
        "step": {"type": "number", "exclusiveMinimum": 0},
        "errors": {**_NUMBERS, "description": "Standard error of each point of the table."},
        "origin": {"type": "string", "description": "Where a table of takes comes from."},
        "before": {"type": "object", "description": "What stood there before the takes."},
        "sets": {"$ref": "#/$defs/sets"},
        "midi": _midi(),
        **more,
    }
    return {"type": "object", "additionalProperties": False, "properties": properties}


def _midi() -> dict[str, Any]:
    """Describe a controller."""
    return {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "cc": _whole(0, 119, "Controller number."),
            "nrpn": _whole(0, 16_383, "Non-registered parameter number."),
            "bits": {"enum": [7, 14]},
            "values": {
                "type": "array",
                "items": _whole(0, 16_383, "Data."),
                "minItems": 2,
                "description": "Data at the ends of a knob, or of each position.",
            },
        },
        "oneOf": [{"required": ["cc"]}, {"required": ["nrpn"]}],
    }


def _pair(description: str) -> dict[str, Any]:
    """Describe two numbers."""
    return {**_NUMBERS, "maxItems": 2, "description": description}


def _whole(low: int, high: int, description: str) -> dict[str, Any]:
    """Describe a whole number."""
    return {"type": "integer", "minimum": low, "maximum": high, "description": description}
