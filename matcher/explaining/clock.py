"""The time of an explanation: shares of the sections, progress, and requests to stop."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from matcher.progress import Progress

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Self

__all__ = ["Clock"]


class Clock:
    """Counts the time of an explanation, in s, and shows how far it is."""

    def __init__(
        self, seconds: float, *, show: bool = False, stop: Callable[[], bool] | None = None
    ) -> None:
        self.seconds = seconds
        self._stop = stop
        self._bar = Progress("explaining", seconds, show=show)
        self._began_s = time.monotonic()
        self._end_s = seconds

    def __enter__(self) -> Self:
        """Open the bar, and begin to count."""
        self._began_s = time.monotonic()
        self._bar.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        """Close the bar, and leave it on the screen."""
        self._bar.__exit__()

    @property
    def elapsed_s(self) -> float:
        """Time since the clock was started, in s."""
        return time.monotonic() - self._began_s

    @property
    def is_stopped(self) -> bool:
        """Whether a stop was asked for."""
        return self._stop is not None and self._stop()

    def begin(self, until_ratio: float) -> None:
        """Begin a section that may use the budget up to a share of it."""
        self._end_s = self.seconds * until_ratio

    @property
    def left_s(self) -> float:
        """What is left of the section, in s."""
        return max(self._end_s - self.elapsed_s, 0.0)

    def is_over(self) -> bool:
        """Whether the section has to end."""
        return self.is_stopped or self.left_s <= 0.0

    def part_ends(self, share_ratio: float) -> Callable[[], bool]:
        """Make a question whether a share of what is left of the section is used."""
        end_s = self.elapsed_s + share_ratio * self.left_s
        return lambda: self.is_stopped or self.elapsed_s >= end_s

    def show(self, text: str) -> None:
        """Show what is being done."""
        left_s = max(self.seconds - self.elapsed_s, 0.0)
        self._bar.show(self.elapsed_s, f"{text}, at most {left_s:.0f} s left")
