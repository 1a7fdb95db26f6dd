"""The process of a job: ``python -m matcher.page._work FOLDER``."""

from __future__ import annotations

import contextlib
import json
import os
import sys
import traceback
from pathlib import Path

from matcher.page._messages import EventWriter
from matcher.page.jobs import JOB_FILE, LOCK_FILE, STOP_FILE
from shared._leftovers import remove_abandoned_folders

__all__: list[str] = []

# The page must answer while a search uses all cores.
_NICENESS = 10


def main(folder: Path) -> int:
    """Do what the job says, and tell how it went."""
    from filelock import FileLock  # noqa: PLC0415  only where there are jobs

    with FileLock(folder / LOCK_FILE):
        _step_back()
        # Those of a job that was killed; comparisons have copies of recordings in them.
        remove_abandoned_folders()
        events = EventWriter(folder)
        events.write("begun", pid=os.getpid())
        try:
            result = _do(folder, events)
        except Exception as error:  # noqa: BLE001  whatever it is, the page has to say so
            events.write("failed", text=_text_of(error))
            traceback.print_exc()
            return 1
        events.write("done", **result)
    return 0


def _do(folder: Path, events: EventWriter) -> dict[str, object]:
    """Run the task."""
    from matcher.interrupts import StopRequest  # noqa: PLC0415  after the first event
    from matcher.page._tasks import TASKS, Desk  # noqa: PLC0415  takes its time to load

    document = json.loads((folder / JOB_FILE).read_text(encoding="utf-8"))
    with StopRequest() as request:

        def stop() -> bool:
            return request() or (folder / STOP_FILE).exists()

        desk = Desk(folder=folder, root=Path.cwd(), events=events, stop=stop)
        return TASKS[document["kind"]](desk, document["settings"])


def _text_of(error: Exception) -> str:
    """Say what went wrong; of our own errors the text, of others what they are."""
    from shared import EarwrightError  # noqa: PLC0415  after the first event

    if isinstance(error, EarwrightError):
        return str(error)
    return f"An error of the program: {type(error).__name__}: {error}. See log.txt of the job."


def _step_back() -> None:
    """Let others have the processor first, where the system knows that."""
    if hasattr(os, "nice"):
        with contextlib.suppress(OSError):
            os.nice(_NICENESS)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
