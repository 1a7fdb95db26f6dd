"""Ctrl-C and SIGTERM, answered so that nothing found is lost.

`StopRequest` turns the first signals into a request that a search asks for after each batch. Until
it is asked for the first time there is nothing to keep, and a signal ends the work at once.
`hold_interrupts` keeps signals back while files are written. Both do nothing outside of the main
thread, where Python allows no signal handlers.
"""

from __future__ import annotations

import _thread
import contextlib
import signal
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import FrameType
    from typing import Self

__all__ = ["StopRequest", "hold_interrupts"]

_SIGNALS = (signal.SIGINT, signal.SIGTERM)
# People press Ctrl-C twice when nothing seems to happen; the third time they mean it.
_MEANT_AT = 3


class StopRequest:
    """Hears Ctrl-C and SIGTERM, and says so when it is called.

    Use it in a ``with`` block, and hand it to `matcher.match` as `stop`. The first signal raises
    KeyboardInterrupt if nobody has asked yet (the voice is being compiled, say), and the third one
    always does, so that work that hangs can still be left.
    """

    def __init__(self, on_first: Callable[[], None] | None = None) -> None:
        self._on_first = on_first
        self._n_signals = 0
        self._is_asked = False
        self._before: dict[int, object] = {}
        self.signal_number: int | None = None

    def __enter__(self) -> Self:
        """Begin to listen."""
        self._before = _install(self._hear)
        return self

    def __exit__(self, *_: object) -> None:
        """Give the signals back to whoever had them."""
        _restore(self._before)

    def __call__(self) -> bool:
        """Say whether to stop."""
        self._is_asked = True
        return self.signal_number is not None

    @property
    def exit_status(self) -> int:
        """Exit status by the habit of shells, 128 plus the signal; 0 if there was none."""
        return 0 if self.signal_number is None else 128 + self.signal_number

    @staticmethod
    def press() -> None:
        """Do from another thread what Ctrl-C does; the main thread hears it wherever it is."""
        if hasattr(signal, "pthread_kill"):
            signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
        else:
            _thread.interrupt_main()

    def _hear(self, number: int, frame: FrameType | None) -> None:
        """Note a signal."""
        del frame
        self._n_signals += 1
        if self._n_signals >= _MEANT_AT or not self._is_asked:
            raise KeyboardInterrupt
        if self.signal_number is None:
            self.signal_number = number
            if self._on_first:
                self._on_first()


@contextlib.contextmanager
def hold_interrupts() -> Iterator[None]:
    """Keep Ctrl-C and SIGTERM back until the block has ended, then let the last one through."""
    held: list[int] = []

    def hold(number: int, frame: FrameType | None) -> None:
        del frame
        held.append(number)

    before = _install(hold)
    try:
        yield
    finally:
        _restore(before)
        if held:
            signal.raise_signal(held[-1])


def _install(handler: Callable[[int, FrameType | None], None]) -> dict[int, object]:
    """Set a handler for each signal, and return the ones before."""
    if threading.current_thread() is not threading.main_thread():
        return {}
    return {number: signal.signal(number, handler) for number in _SIGNALS}


def _restore(before: dict[int, object]) -> None:
    """Set earlier handlers again."""
    for number, handler in before.items():
        # None: a handler that wasn't set from Python, which can't be set from here either.
        signal.signal(number, signal.SIG_DFL if handler is None else handler)  # type: ignore[arg-type]
