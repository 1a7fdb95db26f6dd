"""What an interruption may not leave behind: halves, leftovers, processes, tracebacks, losses."""

from __future__ import annotations

import hashlib
import json
import time
from pathlib import Path
from typing import TYPE_CHECKING

from matcher import load_run

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["broken", "left_over", "living", "tracebacks", "versions_of"]


def tracebacks(said: str) -> list[str]:
    """Find what a musician shouldn't see."""
    marks = ("Traceback", "Exception ignored", "leaked")
    return [f"said: {said.strip()[-600:]}"] if any(mark in said for mark in marks) else []


def living(session: int, *, patience_s: float = 10.0) -> list[str]:
    """Name processes of a command that live on; they have a few seconds to end."""
    end = time.monotonic() + patience_s
    while found := [str(pid) for pid in _session(session)]:
        if time.monotonic() >= end:
            return [f"processes live on: {', '.join(found)}"]
        time.sleep(0.2)
    return []


def _session(session: int) -> Iterator[int]:
    """Go through the processes of a session that haven't ended."""
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if int(fields[3]) == session and fields[0] != "Z":
                yield int(entry.name)


def broken(folder: Path) -> list[str]:
    """Name documents that aren't whole, and runs with `run.json` that can't be read."""
    faults = []
    for path in folder.rglob("*.json"):
        if path.name.startswith("."):
            continue
        try:
            json.loads(path.read_text())
            if path.name == "run.json" and ".earwright-" not in str(path):
                load_run(path.parent)
        except Exception as error:  # noqa: BLE001  whatever it is, it is what we look for
            faults.append(f"{path.relative_to(folder)}: {error}")
    return faults


def left_over(folder: Path) -> list[str]:
    """Name temporary files and folders."""
    names = [path.relative_to(folder).as_posix() for path in folder.rglob("*")]
    ends = (".tmp", ".old")
    return [
        f"left over: {name}" for name in names if name.endswith(ends) or name.startswith("tmp/")
    ]


def versions_of(folder: Path) -> dict[str, str]:
    """Return a digest of each version of each patch."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("run/versions/*.json")
    }
