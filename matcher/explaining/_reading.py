"""Frozen dataclasses to plain values and back, checked field by field."""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Mapping
from typing import Any, TypeVar

from shared import ParameterError

__all__: list[str] = []

Record = TypeVar("Record")


def to_plain(value: object) -> Any:  # noqa: ANN401  what JSON holds
    """Copy a record, with all records in it, as mappings and lists."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): to_plain(entry) for key, entry in value.items()}
    if isinstance(value, (list, tuple)):
        return [to_plain(entry) for entry in value]
    return value


def from_plain(kind: type[Record], value: object, where: str = "") -> Record:
    """Make a record of plain values; an error names the field that is wrong."""
    if not isinstance(value, Mapping):
        raise ParameterError(_message(where, value, "a JSON object"))
    hints = typing.get_type_hints(kind)
    fields = {f.name: f for f in dataclasses.fields(kind)}  # type: ignore[arg-type]
    unknown = sorted(set(value) - set(fields))
    if unknown:
        raise ParameterError(f"{_joined(where, unknown[0])}: no such field is known.")
    given = {
        name: _read(hints[name], value[name], _joined(where, name))
        for name in fields
        if name in value
    }
    missing = [
        name
        for name, f in fields.items()
        if name not in given
        and f.default is dataclasses.MISSING
        and f.default_factory is dataclasses.MISSING
    ]
    if missing:
        raise ParameterError(f"{_joined(where, missing[0])} is missing.")
    return kind(**given)


def _read(hint: Any, value: object, where: str) -> Any:  # noqa: ANN401  any type of a field
    """Read one value of a declared type."""
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin is types.UnionType:
        kinds = [kind for kind in inner if kind is not types.NoneType]
        return None if value is None else _read(kinds[0], value, where)
    if origin is tuple:
        return _read_tuple(inner, value, where)
    if origin is Mapping:
        if not isinstance(value, Mapping):
            raise ParameterError(_message(where, value, "a JSON object"))
        return {k: _read(inner[1], entry, _joined(where, k)) for k, entry in value.items()}
    if dataclasses.is_dataclass(hint):
        return from_plain(hint, value, where)  # type: ignore[arg-type]
    if hint is float and isinstance(value, (int, float)) and not isinstance(value, bool):
        return float(value)
    if isinstance(value, hint) and (hint is bool or not isinstance(value, bool)):
        return value
    raise ParameterError(_message(where, value, _WORDS[hint]))


def _read_tuple(inner: tuple[Any, ...], value: object, where: str) -> tuple[Any, ...]:
    """Read a list of one type, or of as many types as it has places."""
    if not isinstance(value, list):
        raise ParameterError(_message(where, value, "a list"))
    if len(inner) == 2 and inner[1] is Ellipsis:
        return tuple(_read(inner[0], entry, f"{where}[{i}]") for i, entry in enumerate(value))
    if len(value) != len(inner):
        raise ParameterError(_message(where, value, f"a list of {len(inner)}"))
    return tuple(
        _read(kind, entry, f"{where}[{i}]")
        for i, (kind, entry) in enumerate(zip(inner, value, strict=True))
    )


_WORDS = {float: "a number", int: "a whole number", str: "text", bool: "true or false"}


def _joined(where: str, name: str) -> str:
    """Name a field with its place."""
    return f"{where}.{name}" if where else name


def _message(where: str, value: object, accepted: str) -> str:
    """Say what a field must hold."""
    text = repr(value)
    text = text if len(text) <= 40 else f"{text[:37]}..."
    return f"{where or 'the document'}: {text} is not accepted; {accepted} is."
