"""What the fields of ``run.json`` have to be, where they are there: readers rely on it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from shared import RunFolderError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__: list[str] = []

_OBJECT, _LIST, _NUMBER = "an object", "a list", "a number"
_KINDS: dict[str, type | tuple[type, ...]] = {
    _OBJECT: dict,
    _LIST: list,
    _NUMBER: (int, float),
}
# A star stands for every field or entry. What isn't named may be anything.
_SHAPES = (
    ("settings", _OBJECT),
    ("figures", _OBJECT),
    ("figures.*", _NUMBER),
    ("loss", _OBJECT),
    ("loss.*", _OBJECT),
    ("loss.*.total", _NUMBER),
    ("loss.*.terms", _OBJECT),
    ("loss.*.terms.*", _NUMBER),
    ("loss.*.parts", _OBJECT),
    ("history", _LIST),
    ("history.*", _OBJECT),
    ("history.*.evaluations", _NUMBER),
    ("history.*.elapsed_s", _NUMBER),
    ("history.*.loss", _NUMBER),
    ("notes.*.onset_s", _NUMBER),
    ("notes.*.audible", _LIST),
    ("left_out.*.onset_s", _NUMBER),
    ("left_out.*.audible", _LIST),
    ("target", _OBJECT),
    ("versions", _OBJECT),
    ("warnings", _LIST),
)


def check_shapes(path: Path, document: dict[str, Any]) -> None:
    """Refuse a document with a field of another kind; None is as good as a field left out."""
    for pattern, needed in _SHAPES:
        for name, value in _find(document, pattern.split(".")):
            is_good = isinstance(value, _KINDS[needed]) and not isinstance(value, bool)
            is_endless = isinstance(value, (int, float)) and abs(value) > 1e300
            if value is not None and (not is_good or is_endless):
                raise RunFolderError(
                    f"{path}, {name}: {value!r:.60} is not accepted; {needed} is. Take the file "
                    "from a copy of the run.",
                    name=name,
                    value=value,
                    path=path,
                )


def _find(value: object, fields: list[str], name: str = "") -> Iterator[tuple[str, object]]:
    """Go through what is at a place, with its name; what has no such place has nothing there."""
    if not fields:
        yield name, value
        return
    entries: dict[Any, object] = {}
    if isinstance(value, dict):
        entries = value
    elif isinstance(value, list) and fields[0] == "*":
        entries = dict(enumerate(value))
    for key in list(entries) if fields[0] == "*" else [fields[0]]:
        if key in entries:
            place = f"{name}[{key}]" if isinstance(key, int) else f"{name}.{key}".lstrip(".")
            yield from _find(entries[key], fields[1:], place)
