"""The progress bar over the runs of a comparison."""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

__all__ = ["RunsProgress", "duration_words"]

REFRESH_S = 0.5
# What a run takes beside its budget; tests/benchmarks/bench_batch.py.
BESIDE_S = 4.0


def duration_words(seconds: float) -> str:
    """Say a length of time as one says it.

    Parameters
    ----------
    seconds : float >= 0
        In seconds.

    Returns
    -------
    str
        Such as "40 s", "3 min", "2 h 05 min".

    Examples
    --------
    >>> duration_words(40), duration_words(200), duration_words(7500)
    ('40 s', '3 min', '2 h 05 min')
    """
    if seconds < 99.5:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 100 else f"{minutes // 60} h {minutes % 60:02d} min"


class RunsProgress:
    """A bar over the runs, with the time left.

    Parameters
    ----------
    n_runs : int >= 1
        Runs in all.
    n_finished : int >= 0
        Those that were finished before.
    run_s : float or None
        Seconds of search of each run, if that is the budget: a first guess of the time left.
    n_places : int >= 1
        Runs at a time.
    show : bool
        Whether to show anything.
    """

    def __init__(
        self, n_runs: int, n_finished: int, run_s: float | None, n_places: int, *, show: bool
    ) -> None:
        self._n_runs = n_runs
        self._n_finished = n_finished
        self._n_before = n_finished
        self._run_s = run_s
        self._n_places = n_places
        self._show = show
        self._bar: Any = None
        self._started = time.monotonic()
        self._shown = 0.0

    def __enter__(self) -> Self:
        """Open the bar."""
        if self._show:
            from tqdm.auto import tqdm  # noqa: PLC0415  chooses terminal or notebook

            self._bar = tqdm(
                total=self._n_runs,
                initial=self._n_finished,
                desc="comparing",
                # The postfix begins with a comma; all of it has to fit into 80 columns.
                bar_format="{desc} {percentage:3.0f}% {bar:14}{postfix}",
                dynamic_ncols=True,
            )
            self._draw()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the bar and leave it standing."""
        if self._bar is not None:
            self._draw()
            self._bar.close()

    def say(self, text: str) -> None:
        """Print a line, if anything is shown."""
        if self._show:
            from tqdm.auto import tqdm  # noqa: PLC0415

            tqdm.write(text)

    def tick(self) -> None:
        """Bring the time left up to date; called often."""
        if self._bar is not None and time.monotonic() - self._shown >= REFRESH_S:
            self._draw()

    def advance(self) -> None:
        """Count one more finished run."""
        self._n_finished += 1
        if self._bar is not None:
            self._bar.n = self._n_finished
            self._draw()

    def _draw(self) -> None:
        """Show how far it is."""
        self._shown = time.monotonic()
        left = seconds_left(
            self._n_runs - self._n_finished,
            self._n_finished - self._n_before,
            self._shown - self._started,
            run_s=self._run_s,
            n_places=self._n_places,
        )
        words = "" if left is None else f", {duration_words(left)} left"
        self._bar.set_postfix_str(
            f"{self._n_finished} of {self._n_runs} runs{words}", refresh=False
        )
        self._bar.refresh()


def seconds_left(
    n_left: int, n_done: int, elapsed_s: float, *, run_s: float | None, n_places: int
) -> float | None:
    """Estimate how long the rest takes.

    Parameters
    ----------
    n_left, n_done : int >= 0
        Runs to do, and runs done in `elapsed_s`.
    elapsed_s : float >= 0
        Seconds since the first began.
    run_s : float or None
        Seconds of search of each run, if that is the budget.
    n_places : int >= 1
        Runs at a time.

    Returns
    -------
    float or None
        Seconds; None where nothing is known. Once every place has done one, by what they took.
    """
    if n_done >= n_places:
        return elapsed_s / n_done * n_left
    if run_s is None:
        return None
    guess_s = (run_s + BESIDE_S) * math.ceil((n_left + n_done) / n_places) - elapsed_s
    # A guess that has run out is worth nothing.
    return guess_s if guess_s > 0.0 else None
