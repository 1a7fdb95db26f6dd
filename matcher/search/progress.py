"""The progress bar of long work, in terminals and notebooks."""

from __future__ import annotations

from contextlib import contextmanager
from threading import Timer
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import TracebackType
    from typing import Self

__all__ = ["Progress"]

SLOW_S = 2.0


class Progress:
    """A bar over the budget of a search, in seconds or evaluations, with the best loss so far."""

    def __init__(self, *, seconds: float | None, evals: int | None, show: bool) -> None:
        self._seconds = seconds
        self._evals = evals
        self._show = show
        self._bar = None

    def __enter__(self) -> Self:
        """Open the bar."""
        if self._show:
            from tqdm.auto import tqdm  # noqa: PLC0415  chooses terminal or notebook

            # The postfix begins with a comma; all of it has to fit into 80 columns.
            tail = "{postfix}, {remaining} left" if self._evals else "{postfix}"
            self._bar = tqdm(
                total=self._evals or self._seconds,
                desc="matching",
                unit="" if self._evals else "s",
                bar_format="{desc} {percentage:3.0f}% {bar:14}" + tail,
                dynamic_ncols=True,
                mininterval=0.2,
            )
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
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
        """Print a line if what the ``with`` block does takes more than two seconds."""
        timer = Timer(SLOW_S, self.say, (text,))
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()

    def update(self, elapsed_s: float, n_evaluations: int, best_loss: float) -> None:
        """Move the bar; a loss of 1 is about one just-noticeable difference."""
        if self._bar is None:
            return
        if self._evals:
            self._bar.n = n_evaluations
            left = ""
        else:
            self._bar.n = min(elapsed_s, self._seconds or elapsed_s)
            left = f", {max((self._seconds or 0.0) - elapsed_s, 0.0):.0f} s left"
        self._bar.set_postfix_str(
            f"loss {best_loss:.2f} audible steps, {n_evaluations} tried{left}", refresh=False
        )
        self._bar.update(0)
