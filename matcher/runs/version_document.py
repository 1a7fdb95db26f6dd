"""Versions as JSON, written and read back checked."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any, NoReturn, TypeGuard

from matcher.losses.terms import LossBreakdown
from matcher.runs.version import KINDS, Version
from shared import Patch, RunFolderError
from shared.files import read_text_file

if TYPE_CHECKING:
    from pathlib import Path

__all__: list[str] = []

KIND = "earwright version"
SCHEMA_VERSION = 1


def to_text(version: Version) -> str:
    """Write a version as JSON; its names stand in files of their own."""
    document = {
        "kind": KIND,
        "schema_version": SCHEMA_VERSION,
        "number": version.number,
        "what": version.kind,
        "title": version.title,
        "note": version.note,
        "parent": version.parent,
        "created": version.created,
        "loss": None if not _has_finite(version.loss) else version.loss.to_dict(),
        "changed": {name: list(pair) for name, pair in version.changed.items()},
        "gates_s": list(version.gates_s),
        "patch": json.loads(version.patch.to_json()),
    }
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def read_version(path: Path, number: int, names: tuple[str, ...]) -> Version:
    """Read the file of a version."""
    document = read_json(path)
    if document.get("kind") != KIND or document.get("schema_version") != SCHEMA_VERSION:
        _refuse(path, "kind", document.get("kind"), f'"{KIND}", schema {SCHEMA_VERSION}')
    if document.get("number") != number:
        _refuse(path, "number", document.get("number"), f"{number}, as the file is called,")
    if not isinstance(document.get("what"), str) or document.get("what") not in KINDS:
        _refuse(path, "what", document.get("what"), ", ".join(KINDS))
    parent = document.get("parent")
    if parent is not None and not (_is_whole(parent) and 1 <= parent < number):
        _refuse(path, "parent", parent, "the number of an earlier version, or null,")
    return Version(
        number=number,
        kind=document["what"],
        title=_text(path, document, "title"),
        note=_text(path, document, "note"),
        parent=parent,
        created=_text(path, document, "created"),
        patch=Patch.from_json(json.dumps(document.get("patch")), source=f"{path}, patch"),
        loss=_loss(path, document.get("loss")),
        changed=_changed(path, document.get("changed", {})),
        gates_s=_gates(path, document.get("gates_s", [])),
        names=names,
    )


def read_json(path: Path) -> dict[str, Any]:
    """Read a file that holds one JSON object."""
    try:
        document = json.loads(read_text_file(path))
    except (OSError, ValueError, RecursionError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise RunFolderError(
            f"{path} can't be read: {reason}. Take the file from a copy of the run; the other "
            "versions can still be used by their files.",
            path=path,
        ) from error
    if not isinstance(document, dict):
        _refuse(path, "the file", document, "one object")
    return document


def _has_finite(loss: LossBreakdown | None) -> TypeGuard[LossBreakdown]:
    """Whether there is a loss that JSON can hold."""
    if loss is None:
        return False
    return all(map(math.isfinite, (loss.total, *loss.terms.values(), *loss.parts.values())))


def _text(path: Path, document: dict[str, Any], field: str) -> str:
    """Read a text."""
    value = document.get(field)
    if not isinstance(value, str):
        _refuse(path, field, value, "a text")
    return value


def _loss(path: Path, value: object) -> LossBreakdown | None:
    """Read a loss with its terms and parts."""
    if value is None:
        return None
    fields: dict[str, Any] = value if isinstance(value, dict) else {}
    if not _is_number(fields.get("total")):
        _refuse(path, "loss", value, "an object with total, terms and parts, or null,")
    tables = [fields.get(field, {}) for field in ("terms", "parts")]
    for table in tables:
        if not isinstance(table, dict) or not all(map(_is_number, table.values())):
            _refuse(path, "loss", table, "an object of numbers")
    return LossBreakdown(float(fields["total"]), *tables)


def _changed(path: Path, value: object) -> dict[str, tuple[float, float]]:
    """Read the changed values."""
    pairs = value if isinstance(value, dict) else {"changed": None}
    changed = {}
    for name, pair in pairs.items():
        if not isinstance(pair, list) or len(pair) != 2 or not all(map(_is_number, pair)):
            _refuse(path, f"changed.{name}", pair, "a pair of numbers")
        changed[name] = (float(pair[0]), float(pair[1]))
    return changed


def _gates(path: Path, value: object) -> tuple[float, ...]:
    """Read the gates."""
    if not isinstance(value, list) or not all(_is_number(x) and x >= 0.0 for x in value):
        _refuse(path, "gates_s", value, "a list of seconds")
    return tuple(map(float, value))


def _is_number(value: object) -> bool:
    """Whether a value is a finite number."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:
        # Whole numbers have no limit in JSON.
        return False


def _is_whole(value: object) -> bool:
    """Whether a value is a whole number."""
    return isinstance(value, int) and not isinstance(value, bool)


def _refuse(path: Path, field: str, value: object, accepted: str) -> NoReturn:
    """Raise for one field."""
    raise RunFolderError(
        f"{path}, {field}: {value!r:.60} is not accepted; {accepted} is. Take the file from a "
        "copy of the run.",
        name=field,
        value=value,
        path=path,
    )
