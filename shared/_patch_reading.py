"""Reading the JSON of a patch; messages name the file, the field and what is accepted."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any, NoReturn

from shared.catalogue import CATALOGUE
from shared.errors import ParameterError, PatchError, suggest_names
from shared.patch_schema import PHASE_NAMES, SCHEMA_VERSION

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__: list[str] = []

_KEYS = ("schema_version", "structure", "values", "provenance", "phases")
_SHOWN_LENGTH = 40
_EDIT = "Edit the field, or leave it out for the neutral value."


def read_patch_fields(text: str, source: str) -> dict[str, Any]:
    """Parse and check the text of a patch; return the arguments of `Patch`."""
    document = _parse(text, source)
    if not isinstance(document, dict):
        raise PatchError(
            f"{source} holds {_shown(document)}; one object in braces is accepted. Check that the "
            "file is a patch.",
            value=document,
            path=source,
        )
    _check_version(document, source)
    for key in document:
        if key not in _KEYS:
            _refuse_name(source, key, document[key], "fields of a patch", _KEYS)
    return {
        "structure": _structure(document, source),
        "values": _values(document, source),
        "provenance": _typed(document, "provenance", {}, source),
        "phases": _phases(document, source),
    }


def _parse(text: str, source: str) -> Any:  # noqa: ANN401 - JSON may hold anything
    """Parse JSON strictly: no NaN, no infinity, no name twice."""
    try:
        return json.loads(
            text,
            parse_constant=_refuse_constant,
            parse_float=_finite,
            object_pairs_hook=_without_doubles,
        )
    except RecursionError:
        reason = "it is nested too deeply"
    except ValueError as error:
        # json.JSONDecodeError is a ValueError and names line and column.
        reason = str(error)
    raise PatchError(
        f"{source} can't be read as a patch: {reason}. Mend the JSON there, or take an earlier "
        "copy.",
        path=source,
    )


def _refuse_constant(constant: str) -> NoReturn:
    """Refuse NaN and Infinity, which JSON (RFC 8259, section 6) doesn't have."""
    raise ValueError(f"{constant} is not a JSON number")


def _finite(text: str) -> float:
    """Read a number, and refuse one that is too large for a float."""
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text} is too large")
    return number


def _without_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Build an object; of two equal names JSON readers keep either, so we refuse both."""
    result: dict[str, Any] = {}
    for name, value in pairs:
        if name in result:
            raise ValueError(f"{name} stands twice")
        result[name] = value
    return result


def _check_version(document: dict[str, Any], source: str) -> None:
    """Refuse a file of another layout before its fields are judged."""
    if "schema_version" not in document:
        raise PatchError(
            f"{source}, schema_version: missing; {SCHEMA_VERSION} is accepted. Check that the "
            "file is a patch.",
            name="schema_version",
            path=source,
        )
    version = document["schema_version"]
    if isinstance(version, bool) or version != SCHEMA_VERSION:
        _refuse(
            source,
            "schema_version",
            version,
            f"{SCHEMA_VERSION} is accepted. Save the patch with this version, or "
            "install the one that wrote it.",
        )


def _structure(document: dict[str, Any], source: str) -> str:
    """Read the name of the structure."""
    structure = document.get("structure")
    if not isinstance(structure, str) or not structure:
        _refuse(source, "structure", structure, "the name of a structure is accepted, in quotes.")
    return structure


def _values(document: dict[str, Any], source: str) -> dict[str, float]:
    """Read the values; what is left out will be neutral."""
    values: dict[str, float] = {}
    for name, value in _typed(document, "values", {}, source).items():
        if name not in CATALOGUE:
            _refuse_name(source, name, value, "parameters", CATALOGUE.names)
        parameter = CATALOGUE[name]
        number = _number(value, source, name, parameter.accepted)
        try:
            values[name] = parameter.validate(number)
        except ParameterError as error:
            raise PatchError(
                f"{source}, {error} {_EDIT}", name=name, value=value, path=source
            ) from error
    return values


def _phases(document: dict[str, Any], source: str) -> list[dict[str, float]]:
    """Read the phases, one object for each note."""
    phases = []
    for place, entry in enumerate(_typed(document, "phases", [], source)):
        where = f"phases[{place}]"
        if not isinstance(entry, dict):
            _refuse(source, where, entry, "an object with phases by name is accepted.")
        for name, value in entry.items():
            field = f"{where}.{name}"
            if name not in PHASE_NAMES:
                _refuse_name(source, field, value, "phases", PHASE_NAMES)
            accepted = "0 up to, but not including, 1 cycle"
            if not 0.0 <= _number(value, source, field, accepted) < 1.0:
                _refuse(source, field, value, f"{accepted} is accepted. Edit the field.")
        phases.append({name: float(value) for name, value in entry.items()})
    return phases


def _typed(document: dict[str, Any], key: str, empty: Any, source: str) -> Any:  # noqa: ANN401
    """Return a field, or `empty` if it is left out; refuse another JSON type."""
    value = document.get(key, empty)
    if type(value) is not type(empty):
        kind = "an object in braces" if isinstance(empty, dict) else "a list in brackets"
        _refuse(source, key, value, f"{kind} is accepted. Edit the field, or leave it out.")
    return value


def _number(value: object, source: str, field: str, accepted: str) -> float:
    """Return a JSON number as a float; true and false are none."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise PatchError(
            f"{source}, {field}: {_shown(value)} is not a number; {accepted} is accepted. {_EDIT}",
            name=field,
            value=value,
            path=source,
        )
    try:
        return float(value)
    except OverflowError:
        return math.inf if value > 0 else -math.inf


def _refuse(source: str, field: str, value: object, explanation: str) -> NoReturn:
    """Raise for one field, with its value as it stands in the file."""
    raise PatchError(
        f"{source}, {field} is {_shown(value)}; {explanation}",
        name=field,
        value=value,
        path=source,
    )


def _refuse_name(
    source: str, field: str, value: object, kind: str, known: Sequence[str]
) -> NoReturn:
    """Raise for a name that a patch doesn't have."""
    hint = suggest_names(field.rpartition("].")[2], known) or f"Take it out of the {kind}."
    raise PatchError(
        f"{source}, {field}: no such name among the {kind}. {hint}",
        name=field,
        value=value,
        path=source,
    )


def _shown(value: object) -> str:
    """Print a value as it stands in the file, cut to a length that fits a line."""
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= _SHOWN_LENGTH else f"{text[: _SHOWN_LENGTH - 3]}..."
