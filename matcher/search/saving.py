"""A search and its checkpoint: what is written, and how it is taken up again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matcher.optimise import BasinHopping
from matcher.search.position import Position

if TYPE_CHECKING:
    from matcher.search.checkpoint import Checkpoint
    from matcher.search.recorder import Recorder

__all__: list[str] = []


class Saving:
    """Saves a search, if there is a checkpoint to save it to.

    Parameters
    ----------
    checkpoint : Checkpoint or None
        Where to.
    recorder : Recorder
        Record, clock and evaluator of the search.
    seconds, evals : float or int, optional
        Its budget.
    """

    def __init__(
        self,
        checkpoint: Checkpoint | None,
        recorder: Recorder,
        *,
        seconds: float | None,
        evals: int | None,
    ) -> None:
        self._checkpoint = checkpoint
        self._recorder = recorder
        self._seconds = seconds
        self._evals = evals

    def restore(self, n_steps: int) -> tuple[Position, str] | None:
        """Take up what was saved: the position, and why that search ended, if it had.

        Record, gates and clock are put back. Where a search that had ended got a larger budget,
        its last step goes on.
        """
        loaded = None if self._checkpoint is None else self._checkpoint.load()
        if loaded is None:
            return None
        state, rows = loaded
        recorder = self._recorder
        recorder.record.append_rows(rows)
        recorder.evaluator.set_gates(state["gates_s"])
        recorder.busy_s = state["busy_s"]
        recorder.start_clock(state["elapsed_s"])
        at = Position.from_state(state["position"])
        before, now = (state["evals"] or state["seconds"]), (self._evals or self._seconds)
        if state["reason"] and (now or 0.0) > before:
            # Its sampler goes on; what comes is looked at by itself.
            at.step, at.first_row = n_steps - 1, len(recorder.record)
            if isinstance(at.sampler, BasinHopping):
                at.sampler.look_further()
        return at, str(state["reason"])

    def save(self, at: Position, *, reason: str = "", wait: bool = False) -> None:
        """Write a checkpoint."""
        if self._checkpoint is None:
            return
        state = {
            "position": at.to_state(),
            "gates_s": [note.gate_s for note in self._recorder.evaluator.notes],
            "elapsed_s": self._recorder.elapsed_s,
            "busy_s": self._recorder.busy_s,
            "evals": self._evals,
            "seconds": self._seconds,
            "reason": reason,
        }
        self._checkpoint.save(state, self._recorder.record, wait=wait)

    def save_if_due(self, at: Position) -> None:
        """Write a checkpoint every few seconds."""
        if self._checkpoint is not None and self._checkpoint.is_due:
            self.save(at)
