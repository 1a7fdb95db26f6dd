"""Calling something with bad input, and judging how it ends."""

from __future__ import annotations

import contextlib
import io
import resource
import signal
import sys
import time
import traceback
import warnings
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from shared import EarwrightError, EarwrightWarning

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import FrameType

__all__ = ["Tally", "limit_memory", "try_call"]

# Of processor time, as the machine may be busy; and of waiting for whatever it is.
MAX_SECONDS = 10
MAX_WAITING_S = 60
MAX_BYTES = 1 << 30
_ROOT = Path(__file__).resolve().parents[3]


class _TookTooLongError(BaseException):
    """Not an Exception: nothing on the way may take it for an error of its own."""


@dataclass
class Tally:
    """How the cases ended."""

    read: int = 0
    refused: int = 0
    longest_s: float = 0.0
    failures: Counter[str] = field(default_factory=Counter)
    examples: dict[str, str] = field(default_factory=dict)

    def fail(self, what: str, example: str) -> None:
        """Count a failure, and keep the first of its kind."""
        self.failures[what] += 1
        self.examples.setdefault(what, example)


@contextlib.contextmanager
def limit_memory() -> Iterator[None]:
    """Let the process have 1 GB more address space than it has now (Linux)."""
    statm = Path("/proc/self/statm")
    if not statm.exists():
        # Other systems don't say how much is in use.
        yield
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    pages = int(statm.read_text().split()[0])
    resource.setrlimit(resource.RLIMIT_AS, (pages * resource.getpagesize() + MAX_BYTES, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


def try_call(call: Callable[[], int | None], tally: Tally, example: str, *, names: str) -> None:
    """Call with limits on time, and count how it ended."""
    out, err = io.StringIO(), io.StringIO()
    began = time.perf_counter()
    try:
        with (
            _alarm(),
            _no_warnings(),
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
        ):
            status = call()
    except EarwrightError as error:
        _judge_message(str(error), tally, example, names)
    except (Exception, _TookTooLongError, SystemExit) as error:  # noqa: BLE001  what we look for
        tally.fail(_where(error), example)
    else:
        if status:
            _judge_output(status, err.getvalue(), tally, example, names)
        else:
            tally.read += 1
    tally.longest_s = max(tally.longest_s, time.perf_counter() - began)


def _judge_message(message: str, tally: Tally, example: str, names: str) -> None:
    """Count a refusal, which has to name the file and not to be endless."""
    if names not in message:
        tally.fail(f"the message doesn't name the file: {message[:150]!r}", example)
    elif len(message) > 1000:
        tally.fail(f"the message has {len(message)} signs: {message[:150]!r}", example)
    else:
        tally.refused += 1


def _judge_output(status: int, err: str, tally: Tally, example: str, names: str) -> None:
    """Count a refusal of the command line: status 2, notes, and one line for the mistake."""
    lines = [line for line in err.splitlines() if not line.startswith("earwright: warning:")]
    if status != 2 or len(lines) != 1 or not lines[0].startswith("earwright: "):
        tally.fail(f"exit status {status} with {len(lines)} lines: {err[:200]!r}", example)
        return
    _judge_message(lines[0], tally, example, names)


@contextlib.contextmanager
def _alarm() -> Iterator[None]:
    """Raise after the longest time."""
    began_s, began_waiting_s = time.process_time(), time.monotonic()

    def stop(_number: int, _frame: FrameType | None) -> None:
        used_s, waited_s = time.process_time() - began_s, time.monotonic() - began_waiting_s
        if used_s >= 0.9 * MAX_SECONDS or waited_s >= MAX_WAITING_S:
            raise _TookTooLongError
        signal.alarm(max(1, round(MAX_SECONDS - used_s)))

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(MAX_SECONDS)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


@contextlib.contextmanager
def _no_warnings() -> Iterator[None]:
    """Take warnings that aren't ours as failures: a musician would read them as a traceback."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.simplefilter("ignore", EarwrightWarning)
        yield


def _where(error: BaseException) -> str:
    """Name the kind of error and the last place in our own code."""
    frames = traceback.extract_tb(error.__traceback__ or sys.exc_info()[2])
    own = [
        f"{Path(frame.filename).relative_to(_ROOT)}:{frame.lineno}"
        for frame in frames
        if Path(frame.filename).is_relative_to(_ROOT)
    ]
    places = " < ".join(own[:-4:-1])
    return f"{type(error).__name__} at {places}: {str(error)[:120]!r}"
