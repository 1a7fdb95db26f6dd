"""The progress bar of long work, in terminals and notebooks."""

from __future__ import annotations

import time
from contextlib import contextmanager
from threading import Timer
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import Self

__all__ = ["Progress"]

SLOW_S = 2.0


class Progress:
    """A bar of so much work, with words behind it; open within a ``with`` block.

    `tail` adds what only the bar knows: ``", {remaining} left"``.
    """

    def __init__(
        self, what: str, total: float, *, show: bool, n_done: float = 0, tail: str = ""
    ) -> None:
        self.total, self.n_done = total, n_done
        self._what, self._show, self._tail = what, show, tail
        self._bar = None

    def __enter__(self) -> Self:
        """Open the bar."""
        if self._show:
            from tqdm.auto import tqdm  # noqa: PLC0415  chooses terminal or notebook

            # The postfix begins with a comma; all of it has to fit into 80 columns.
            self._bar = tqdm(
                total=self.total,
                initial=self.n_done,
                desc=self._what,
                bar_format="{desc} {percentage:3.0f}% {bar:14}{postfix}" + self._tail,
                dynamic_ncols=True,
                mininterval=0.2,
            )
        return self

    def __exit__(self, *_: object) -> None:
        """Close the bar and leave it standing."""
        if self._bar is not None:
            self._bar.close()

    def say(self, text: str) -> None:
        """Print a line, if anything is shown."""
        if self._show:
            from tqdm.auto import tqdm  # noqa: PLC0415

            tqdm.write(text)

    @contextmanager
    def slow(self, text: str) -> Iterator[None]:
        """Print a line if what the ``with`` block does takes over two seconds, and how long."""
        timer, began = Timer(SLOW_S, self.say, (text,)), time.monotonic()
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()
        took_s = time.monotonic() - began
        if took_s > SLOW_S:
            self.say(f"that took {took_s:.0f} s")

    def show(self, n_done: float, words: str) -> None:
        """Move the bar, not beyond its end."""
        self.n_done = min(n_done, self.total)
        if self._bar is not None:
            self._bar.n = self.n_done
            self._bar.set_postfix_str(words, refresh=False)
            self._bar.update(0)
