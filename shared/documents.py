"""The JSON and TOML documents of the project: read into typed values, and written.

A document is described once, as a `Document` class or a frozen dataclass; msgspec checks what is
read against it, and this module says in one line what was wrong, where, and what it must be.
"""

from __future__ import annotations

import dataclasses
import json
import math
import tomllib
import types
import typing
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import msgspec
import numpy as np

from shared.errors import EarwrightError, suggest_names
from shared.files import MAX_TEXT_BYTES, read_text_file, write_atomic

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

__all__ = [
    "Document",
    "document_from",
    "document_text",
    "json_schema",
    "parse_json",
    "read_document",
    "read_toml",
    "to_builtins",
    "write_document",
]

Kind = TypeVar("Kind")
_SHOWN_LENGTH = 40
_EDIT = "Edit the field."
_MISSING = object()
# Said of a document before its other fields are: in another version they may be all different.
_HEAD = {
    "kind": "This is another file; check its name.",
    "schema_version": "A newer earwright may have written it.",
}


class Document(msgspec.Struct, frozen=True, kw_only=True):
    """What a file holds: a class with typed fields, some of them with defaults.

    Unknown fields are ignored, so that newer files open; a class made with
    ``forbid_unknown_fields=True`` refuses them and suggests near names. Ranges are written as
    ``Annotated[float, msgspec.Meta(ge=0.0, le=1.0)]``, and what a document is as
    ``kind: Literal["earwright run"]`` and ``schema_version: Literal[1]``.
    """


def read_document(
    path: str | Path, kind: type[Kind], *, error: type[EarwrightError], advice: str = _EDIT
) -> Kind:
    """Read a JSON document.

    Parameters
    ----------
    path : str or Path
        A plain file of at most 64 MB.
    kind : type
        A `Document`, a frozen dataclass, or any type of them and of plain values.
    error : type
        The class of error to raise.
    advice : str
        What to do about a field that is wrong, as a sentence.

    Returns
    -------
    kind
        The document.

    Raises
    ------
    error
        If the file can't be read or is no JSON (as in RFC 8259; a name that stands twice in an
        object is refused too), or a field is missing, has another type or lies outside its range.
        The message names the file, the field, what is there and what must be.
    """
    text = _read_text(path, "JSON", error, MAX_TEXT_BYTES)
    data = parse_json(text, where=str(path), error=error)
    return document_from(data, kind, where=str(path), error=error, advice=advice, path=path)


def read_toml(
    path: str | Path,
    kind: type[Kind],
    *,
    error: type[EarwrightError],
    advice: str = _EDIT,
    max_bytes: int = MAX_TEXT_BYTES,
) -> Kind:
    """Read a TOML document of at most `max_bytes`; else as `read_document`."""
    text = _read_text(path, "TOML", error, max_bytes)
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as fault:
        # TOMLDecodeError is a ValueError, and so is a number of more digits than Python reads.
        raise error(f"{path} is no TOML: {fault}. Mend it there.", path=path) from fault
    return document_from(data, kind, where=str(path), error=error, advice=advice, path=path)


def parse_json(text: str, *, where: str, error: type[EarwrightError]) -> Any:
    """Parse JSON strictly (RFC 8259): no NaN, no infinity, and no name twice in an object.

    `where` names the file for the message of the `error`.
    """
    try:
        return json.loads(
            text,
            parse_constant=_refuse_constant,
            parse_float=_finite,
            object_pairs_hook=_without_doubles,
        )
    except RecursionError:
        reason = "it is nested too deeply"
    except ValueError as fault:
        # json.JSONDecodeError is a ValueError and names line and column.
        reason = str(fault)
    raise error(
        f"{where} is no JSON that can be read: {reason}. Mend it there, or take an earlier copy.",
        path=where,
    )


def document_from(
    data: object,
    kind: type[Kind],
    *,
    where: str,
    error: type[EarwrightError],
    advice: str = _EDIT,
    path: str | Path | None = None,
) -> Kind:
    """Check plain values, as `to_builtins` gives them, and make a document; see `read_document`.

    `where` names the file, and the field if this is a part of a document; `path` is the file, if
    `where` says more than its name.
    """
    result: Any = None
    try:
        fault = _non_finite(data, "")
        if fault is None:
            reason = _refusal(data, kind)
            if reason is None:
                result = _converted(data, kind)
            else:
                fault = _find_fault(data, kind, "", reason)
    except RecursionError:
        fault = _Fault("", " is nested too deeply.")
    if fault is None:
        return typing.cast("Kind", result)
    comma = ", " if fault.field else ""
    text = f"{where}{comma}{fault.field}{fault.text}"
    raise error(
        text if fault.has_advice else f"{text} {advice}",
        name=fault.field or None,
        path=where if path is None else path,
    )


def to_builtins(value: object) -> Any:
    """Copy a value as what JSON holds: dicts, lists, text, finite numbers, true, false and None.

    Takes documents, dataclasses, mappings, sequences, arrays and numbers of numpy, paths, and what
    has a method `to_builtins` of its own, in any mixture. Numbers that aren't finite, which JSON
    doesn't have, become None; anything else becomes its text.
    """
    if isinstance(value, (np.generic, np.ndarray)):
        value = value.tolist()
    if value is None or isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): to_builtins(entry) for key, entry in value.items()}
    if isinstance(value, (list, tuple)):
        return [to_builtins(entry) for entry in value]
    fields = _values_of(value)
    return str(value) if fields is None else {name: to_builtins(x) for name, x in fields.items()}


def document_text(value: object) -> str:
    """Write a value, as `to_builtins` takes it, as indented JSON that ends with a line feed.

    Floats have as many digits as bring them back to the bit.
    """
    return json.dumps(to_builtins(value), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def write_document(path: str | Path, value: object, *, overwrite: bool = True) -> None:
    """Write a value, as `to_builtins` takes it, as a JSON file that is whole or not there.

    A `FileError` as for `write_atomic` says why it can't be written.
    """
    write_atomic(path, document_text(value), overwrite=overwrite)


def json_schema(kind: Any) -> dict[str, Any]:
    """Describe a kind of document as JSON Schema, draft 2020-12, ready for `document_text`."""
    schema = msgspec.json.schema(kind)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **to_builtins(schema)}


def _values_of(value: Any) -> dict[str, object] | None:
    """Return the fields of a document, a dataclass or what writes itself; None for others."""
    if hasattr(value, "to_builtins"):
        return dict(value.to_builtins())
    if isinstance(value, msgspec.Struct):
        return {f.encode_name: getattr(value, f.name) for f in msgspec.structs.fields(value)}
    if dataclasses.is_dataclass(value):
        return {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}
    return None


def _read_text(
    path: str | Path, language: str, error: type[EarwrightError], max_bytes: int
) -> str:
    """Read the text of a document; some editors put a byte order mark before it."""
    try:
        return read_text_file(path, encoding="utf-8-sig", max_bytes=max_bytes)
    except UnicodeDecodeError as fault:
        message = f"{path} isn't text in UTF-8, so it is no {language}. Check the name."
        raise error(message, path=path) from fault
    except OSError as fault:
        reason = fault.strerror or str(fault)
        message = f"{path} can't be read: {reason}; it must be a file in {language}."
        raise error(f"{message} Check the name.", path=path) from fault


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


@dataclasses.dataclass(frozen=True)
class _Fault:
    """The innermost field that is wrong, and what is said about it, maybe with its advice."""

    field: str
    text: str
    has_advice: bool = False


def _converted(data: object, kind: Any) -> Any:
    """Convert plain values by msgspec, which takes any mapping for an object."""
    return msgspec.convert(data, kind, from_attributes=False)


def _refusal(data: object, kind: Any) -> Exception | None:
    """Return why plain values don't fit, or None."""
    try:
        _converted(data, kind)
    except (msgspec.ValidationError, EarwrightError) as refusal:
        return refusal
    return None


def _non_finite(value: object, field: str) -> _Fault | None:
    """Find the first number that isn't finite; TOML has them, and so may Python's values."""
    if isinstance(value, float) and not math.isfinite(value):
        return _Fault(field, f" is {value}; it must be finite.")
    entries: Iterator[tuple[str, object]] = iter(())
    if isinstance(value, Mapping):
        entries = ((_joined(field, name), entry) for name, entry in value.items())
    elif isinstance(value, (list, tuple)):
        entries = ((f"{field}[{place}]", entry) for place, entry in enumerate(value))
    found = (_non_finite(entry, name) for name, entry in entries)
    return next((fault for fault in found if fault is not None), None)


def _find_fault(value: object, kind: Any, field: str, reason: Exception) -> _Fault:
    """Go down to the innermost field that msgspec refuses; it names no keys of mappings itself."""
    meant = _candidate(kind, value)
    fields = _fields(meant)
    if fields is not None and isinstance(value, Mapping):
        config = getattr(meant, "__struct_config__", None)
        unknown = [name for name in value if name not in fields]
        if config is not None and config.forbid_unknown_fields and unknown:
            hint = suggest_names(unknown[0], fields) or f"It must be one of {', '.join(fields)}."
            place, text = _joined(field, unknown[0]), f": no such field. {hint}"
            return _Fault(place, text, has_advice=True)
    for name, inner, entry in _entries(value, meant):
        place = f"{field}{name}" if name.startswith("[") else _joined(field, name)
        if entry is _MISSING:
            return _Fault(place, f" is missing; it must be {_accepted(inner)}.")
        deeper = _refusal(entry, inner)
        if deeper is not None:
            return _find_fault(entry, inner, place, deeper)
    return _own_fault(value, kind, field, reason)


def _own_fault(value: object, kind: Any, field: str, reason: Exception) -> _Fault:
    """Say what is wrong with a field itself."""
    own = reason if isinstance(reason, EarwrightError) else reason.__cause__
    if own is not None:
        # What a class says of its own fields is a sentence of ours.
        return _Fault(field, f": {own}", has_advice=True)
    verb = "is" if field else "holds"
    text = f" {verb} {_shown(value)}; it must be {_accepted(kind)}."
    advice = _HEAD.get(field, "" if field else "Check the name of the file.")
    return _Fault(field, f"{text} {advice}".rstrip(), has_advice=bool(advice))


def _fields(kind: Any) -> dict[str, tuple[Any, bool]] | None:
    """List the fields of a class by name, with their types and whether they are needed."""
    fields: dict[str, tuple[Any, bool]]
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        fields = {f.encode_name: (f.type, f.required) for f in msgspec.structs.fields(kind)}
    elif isinstance(kind, type) and dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind, include_extras=True)
        nothing = dataclasses.MISSING
        fields = {
            f.name: (hints[f.name], f.default is nothing and f.default_factory is nothing)
            for f in dataclasses.fields(kind)
        }
    else:
        return None
    return {name: fields[name] for name in sorted(fields, key=lambda name: name not in _HEAD)}


def _candidate(kind: Any, value: object) -> Any:
    """Of the types of a union, choose the one that a value of this form was meant for."""
    if typing.get_origin(kind) is typing.Annotated:
        # A container with limits: its entries are judged without them.
        inner = typing.get_args(kind)[0]
        return inner if isinstance(value, (Mapping, list, tuple)) else kind
    if typing.get_origin(kind) not in {types.UnionType, typing.Union}:
        return kind
    kinds = [_candidate(inner, value) for inner in typing.get_args(kind)]
    if isinstance(value, Mapping):
        fitting = [one for one in kinds if _fields(one) is not None or _is_mapping(one)]
    elif isinstance(value, (list, tuple)):
        fitting = [one for one in kinds if typing.get_origin(one) in {list, tuple}]
    else:
        fitting = []
    return fitting[0] if len(fitting) == 1 else kind


def _is_mapping(kind: Any) -> bool:
    """Whether a type is that of a mapping with typed entries."""
    origin = typing.get_origin(kind)
    return isinstance(origin, type) and issubclass(origin, Mapping)


def _entries(value: object, kind: Any) -> Iterator[tuple[str, Any, object]]:
    """Go through what a value holds or lacks: names, types and entries."""
    fields, inner = _fields(kind), typing.get_args(kind)
    if isinstance(value, Mapping):
        if fields is not None:
            for name, (one, is_needed) in fields.items():
                if is_needed or name in value:
                    yield name, one, value.get(name, _MISSING)
        elif _is_mapping(kind):
            yield from ((str(name), inner[1], entry) for name, entry in value.items())
    elif (
        isinstance(value, (list, tuple))
        and inner
        and typing.get_origin(kind) is not typing.Literal
    ):
        is_row = typing.get_origin(kind) is tuple and inner[-1] is not Ellipsis
        kinds = inner if is_row else (inner[0],) * len(value)
        yield from ((f"[{i}]", *pair) for i, pair in enumerate(zip(kinds, value, strict=False)))


def _accepted(kind: Any) -> str:
    """Say in words what a type accepts."""
    return _words(msgspec.inspect.type_info(kind))


def _words(kind: msgspec.inspect.Type) -> str:
    """Say in words what a type of msgspec's accepts."""
    named: dict[type, Callable[[Any], str]] = {
        msgspec.inspect.BoolType: lambda _: "true or false",
        msgspec.inspect.NoneType: lambda _: "null",
        msgspec.inspect.IntType: lambda t: f"a whole number{_range(t)}",
        msgspec.inspect.FloatType: lambda t: f"a number{_range(t)}",
        msgspec.inspect.StrType: lambda t: "text" + (" that isn't empty" * bool(t.min_length)),
        msgspec.inspect.LiteralType: lambda t: " or ".join(_shown(value) for value in t.values),
        msgspec.inspect.UnionType: lambda t: " or ".join(map(_words, t.types)),
        msgspec.inspect.TupleType: lambda t: f"a list of {len(t.item_types)}",
        msgspec.inspect.ListType: lambda t: f"a list{_length(t)}",
        msgspec.inspect.VarTupleType: lambda t: f"a list{_length(t)}",
    }
    return named.get(type(kind), lambda _: "an object")(kind)


def _range(kind: Any) -> str:
    """Say which numbers there must be."""
    low, high = kind.ge if kind.ge is not None else kind.gt, kind.le
    below = f"less than {kind.lt:g}" if kind.lt is not None else ""
    upper = f"{high:g}" if high is not None else below
    if low is None:
        return f" up to {upper}" if high is not None else f" {below}".rstrip()
    if kind.gt is not None:
        return f" above {low:g}" + (f" and up to {upper}" if upper else "")
    return f" from {low:g}" + (f" to {upper}" if upper else " up")


def _length(kind: Any) -> str:
    """Say how many entries are needed."""
    return f" of at least {kind.min_length}" if kind.min_length else ""


def _joined(field: str, name: object) -> str:
    """Name a field with its place."""
    return f"{field}.{name}" if field else str(name)


def _shown(value: object) -> str:
    """Print a value as it stands in the file, cut to a length that fits a line."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= _SHOWN_LENGTH else f"{text[: _SHOWN_LENGTH - 3]}..."
