"""Events of a job: lines of JSON in a file that one process writes and another follows."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from matcher.runs.run_document import plain

if TYPE_CHECKING:
    from pathlib import Path

__all__: list[str] = []

EVENTS = "events.jsonl"
# After one of these nothing more comes.
LAST_KINDS = frozenset({"done", "failed"})
_MAX_BYTES = 16_000_000


class EventWriter:
    """Appends events to the file of a job."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / EVENTS

    def write(self, kind: str, **fields: object) -> None:
        """Write one event, whole, at once."""
        line = json.dumps({"kind": kind, **_plain(fields)}, ensure_ascii=True, allow_nan=False)
        with self._path.open("a", encoding="ascii") as file:
            file.write(f"{line}\n")


def read_events(folder: Path, offset: int = 0) -> tuple[list[dict[str, Any]], int]:
    """Read the whole lines from a place in the file on, and tell where to go on."""
    path = folder / EVENTS
    try:
        size = path.stat().st_size
        if size <= offset or offset < 0:
            return [], offset
        with path.open("rb") as file:
            file.seek(offset)
            data = file.read(min(size - offset, _MAX_BYTES))
    except FileNotFoundError:
        return [], offset
    end = data.rfind(b"\n") + 1
    events = []
    place = offset
    for line in data[:end].splitlines(keepends=True):
        place += len(line)
        try:
            event = json.loads(line)
        except (ValueError, RecursionError):
            # A process that was killed while writing leaves half a line before the next one.
            continue
        if isinstance(event, dict) and isinstance(event.get("kind"), str):
            events.append({**event, "next": place})
    return events, offset + end


def _plain(fields: dict[str, object]) -> dict[str, object]:
    """Turn what an event holds into strict JSON."""
    result = plain(fields)
    return result if isinstance(result, dict) else {}
