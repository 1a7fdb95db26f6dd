"""Where a search keeps what it knows, so that it can go on after anything.

A checkpoint is a folder with two kinds of files::

    rows.f64          every evaluation: rows of float64, little-endian, only ever added to
    state-0, state-1  everything else, written in turn

A state says how many rows belong to it and what their SHA-256 is, and begins with a checksum of
itself. It is written only when its rows are on the disk, and takes its name in one step, so at
every instant the newest whole state is one that the search can go on from, exactly. Rows behind
it, from writing that was cut short, are dropped.

Writing happens in a thread of its own, mostly waiting for the disk, while the search goes on. If
it fails (a full disk), the search goes on as well, with a warning, and the last state stays.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import time
import warnings
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.losses import LOSS_VERSION, loss_change
from matcher.optimise import (
    BasinHopping,
    SearchRecord,
    restore_sampler,
    state_from_bytes,
    state_to_bytes,
)
from matcher.search.ladder import WalkedRung
from shared import (
    EarwrightError,
    EarwrightWarning,
    FileError,
    ParameterError,
    RunFolderError,
    write_atomic,
)

if TYPE_CHECKING:
    from typing import Self

    from matcher.optimise import Sampler
    from matcher.search.recorder import Recorder
    from shared import FloatArray
    from shared.types import IntArray

__all__ = ["EVERY_S", "Checkpoint", "Milestone", "Position", "Saving"]

# At most 5 s of search may be lost: this, a batch, and the writing itself.
EVERY_S = 2.5
ROWS_FILE = "rows.f64"
STATE_FILES = ("state-0", "state-1")
_HEADER = b"earwright checkpoint 1 "
_CHUNK_BYTES = 1 << 22
# 2: phases are counted in the middle of a note. 3: oscillator 1 has a phase, too.
# 4: kinds of pulses and places on the timeline are searched.
_POSITION_VERSION = 4


@dataclass
class Milestone:
    """A state of the search that is worth keeping: its start, or the end of a step."""

    kind: str
    title: str
    vector: FloatArray


@dataclass
class Position:
    """Where a search is: all that it needs to go on, besides its record, as plain values."""

    # Entries of a vector that move in the step at work, and the others.
    columns: IntArray
    base: FloatArray
    # Number of the step: stages of the plan, then the ladder, then the rest fitted again; length
    # of the record when it began; whether what is above belongs to it.
    step: int = 0
    first_row: int = 0
    has_begun: bool = False
    # None where nothing moves.
    sampler: Sampler | None = None
    # The suggested candidate, once there was a ladder.
    final: FloatArray | None = None
    final_loss: float = np.inf
    # The ladder as far as it has been walked down, whether that was to its end, and the number of
    # the suggested rung.
    rungs: list[WalkedRung] = field(default_factory=list)
    is_whole: bool = False
    i_chosen: int = 0
    milestones: list[Milestone] = field(default_factory=list)

    def enter(self, step: int, n_rows: int) -> None:
        """Come to a step that hasn't begun yet."""
        self.step, self.first_row, self.has_begun = step, n_rows, False

    def begin(self, columns: IntArray, base: FloatArray, sampler: Sampler | None) -> None:
        """Begin the step: some columns move around a base."""
        self.columns, self.base, self.sampler, self.has_begun = columns, base, sampler, True

    def to_state(self) -> dict[str, Any]:
        """Return plain values, as `matcher.optimise.state_to_bytes` takes them."""
        return {
            "version": _POSITION_VERSION,
            "step": self.step,
            "first_row": self.first_row,
            "has_begun": self.has_begun,
            "columns": self.columns,
            "base": self.base,
            "sampler": None if self.sampler is None else self.sampler.state(),
            "final": self.final,
            "final_loss": float(self.final_loss),
            "rungs": {str(i): rung.to_state() for i, rung in enumerate(self.rungs)},
            "is_whole": self.is_whole,
            "i_chosen": self.i_chosen,
            "milestones": {
                "kinds": [milestone.kind for milestone in self.milestones],
                "titles": [milestone.title for milestone in self.milestones],
                "vectors": np.array([milestone.vector for milestone in self.milestones]),
            },
        }

    @classmethod
    def from_state(cls, state: dict[str, Any]) -> Position:
        """Make the position that `state` describes; refuse one whose vectors mean others."""
        if state["version"] != _POSITION_VERSION:
            raise ParameterError(
                f"the saved search has version {state['version']!r}; it must be "
                f"{_POSITION_VERSION}. Start the search anew, or refine its best patch.",
                name="version",
            )
        kept, sampler = state["milestones"], state["sampler"]
        milestones = zip(kept["kinds"], kept["titles"], kept["vectors"], strict=True)
        return cls(
            columns=np.array(state["columns"], dtype=np.int64),
            base=state["base"],
            step=int(state["step"]),
            first_row=int(state["first_row"]),
            has_begun=bool(state["has_begun"]),
            sampler=None if sampler is None else restore_sampler(sampler),
            final=state["final"],
            final_loss=float(state["final_loss"]),
            # Searches that were saved before there was a ladder have none.
            rungs=[WalkedRung.from_state(rung) for rung in state.get("rungs", {}).values()],
            is_whole=bool(state.get("is_whole", False)),
            i_chosen=int(state.get("i_chosen", 0)),
            milestones=[Milestone(*milestone) for milestone in milestones],
        )


class Checkpoint:
    """A folder that a search is saved to; use it in a ``with`` block, as it owns a thread.

    `every_s` are the seconds between two savings; `finished_record` is the record of the search
    once it has ended (``record.npz``), which then holds the rows.
    """

    def __init__(
        self,
        folder: str | Path,
        *,
        every_s: float = EVERY_S,
        finished_record: Path | None = None,
    ) -> None:
        self.folder = Path(folder)
        self._every_s = every_s
        self._finished_record = finished_record
        self._saved_at = -np.inf
        self._n_rows = 0
        self._digest = hashlib.sha256()
        self._turn = 0
        self._writing: Future[None] | None = None
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="checkpoint")
        self._has_warned = False

    def __enter__(self) -> Self:
        """Give the checkpoint itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Finish writing and end the thread."""
        self._pool.shutdown(wait=True)

    @property
    def is_due(self) -> bool:
        """Whether enough time has passed, and the last writing is over."""
        is_idle = self._writing is None or self._writing.done()
        return is_idle and time.monotonic() - self._saved_at >= self._every_s

    def save(self, state: dict[str, Any], record: SearchRecord, *, wait: bool = False) -> None:
        """Save a moment of the search; of the record only what is new is written.

        With `wait` until it is on the disk. If it can't be written, that is warned of once, and
        tried again the next time.
        """
        self._settle()
        self._saved_at = time.monotonic()
        rows = record.rows(self._n_rows)
        self._writing = self._pool.submit(self._write, state_to_bytes(state), rows)
        if wait:
            self._settle()

    def load(self) -> tuple[dict[str, Any], FloatArray] | None:
        """Read the newest whole state and its rows, and make ready to go on from there.

        None if nothing was ever saved; refused if there are states and none is whole.
        """
        for leftover in self.folder.glob(".state-*.tmp"):
            with contextlib.suppress(OSError):
                leftover.unlink()
        found = sorted(self._states(), key=lambda entry: -entry[0])
        for sequence, state, saved in found:
            rows = self._read_rows(saved)
            if rows is not None:
                self._turn = sequence + 1
                return state, rows
        if any((self.folder / name).exists() for name in STATE_FILES):
            raise RunFolderError(
                f"{self.folder} holds a search that is damaged: no state in it fits its "
                "checksum. Take the folder from a copy, or start the search anew.",
                path=self.folder,
            )
        return None

    def drop_rows(self) -> None:
        """Delete the rows, once another file holds them."""
        self._settle()
        with contextlib.suppress(OSError):
            (self.folder / ROWS_FILE).unlink()

    def _settle(self) -> None:
        """Wait for the last writing, and warn if it failed."""
        if self._writing is None:
            return
        try:
            self._writing.result()
            self._has_warned = False
        except (OSError, EarwrightError) as error:
            if not self._has_warned:
                self._has_warned = True
                reason = getattr(error.__cause__ or error, "strerror", None) or error
                warnings.warn(
                    f"the search can't be saved in {self.folder}: {reason}. It goes on, and "
                    "saving is tried again; make room, or it can't be gone on with later.",
                    EarwrightWarning,
                    stacklevel=3,
                )
        finally:
            self._writing = None

    def _write(self, state: bytes, rows: FloatArray) -> None:
        """Add the rows, then write the state that counts on them."""
        self.folder.mkdir(parents=True, exist_ok=True)
        data = np.ascontiguousarray(rows, dtype="<f8").tobytes()
        n_columns = rows.shape[1]
        _append(self.folder / ROWS_FILE, data, self._n_rows * n_columns * 8)
        self._digest.update(data)
        self._n_rows += len(rows)
        saved = {
            "state": np.frombuffer(state, np.uint8),
            "sequence": self._turn,
            "n_rows": self._n_rows,
            "n_columns": n_columns,
            "rows_sha256": self._digest.hexdigest(),
        }
        payload = state_to_bytes(saved)
        checksum = hashlib.sha256(payload).hexdigest().encode()
        write_atomic(
            self.folder / STATE_FILES[self._turn % 2],
            _HEADER + checksum + b"\n" + payload,
            overwrite=True,
        )
        self._turn += 1

    def _states(self) -> list[tuple[int, dict[str, Any], dict[str, Any]]]:
        """Read the states that are whole: sequence, what was saved, and about the rows."""
        found = []
        for name in STATE_FILES:
            with contextlib.suppress(OSError, EarwrightError, ValueError):
                head, _, payload = (self.folder / name).read_bytes().partition(b"\n")
                checksum = hashlib.sha256(payload).hexdigest().encode()
                if head == _HEADER + checksum:
                    saved = state_from_bytes(payload)
                    state = state_from_bytes(saved["state"].tobytes())
                    found.append((int(saved["sequence"]), state, saved))
        return found

    def _read_rows(self, saved: dict[str, Any]) -> FloatArray | None:
        """Read the rows of a state; None if they aren't those that it counts on."""
        n_rows, n_columns = int(saved["n_rows"]), int(saved["n_columns"])
        # Rows that have moved to the record are written again from there, which may have been
        # cut off.
        for table, is_added_to in ((self._own_rows(), True), (self._finished_rows(), False)):
            rows = table[: n_rows * n_columns].astype(np.float64)
            digest = hashlib.sha256(rows.astype("<f8").tobytes())
            if rows.size == n_rows * n_columns and digest.hexdigest() == saved["rows_sha256"]:
                self._n_rows = n_rows if is_added_to else 0
                self._digest = digest if is_added_to else hashlib.sha256()
                return rows.reshape(n_rows, n_columns)
        return None

    def _own_rows(self) -> FloatArray:
        """Read the file of rows, as far as it goes."""
        try:
            return np.fromfile(self.folder / ROWS_FILE, "<f8")
        except OSError:
            return np.empty(0)

    def _finished_rows(self) -> FloatArray:
        """Read the rows from the record of a search that has ended."""
        if self._finished_record is None:
            return np.empty(0)
        try:
            return SearchRecord.from_npz(self._finished_record).rows().ravel()
        except FileError:
            return np.empty(0)


class Saving:
    """Saves a search, if there is a checkpoint to save it to."""

    def __init__(self, checkpoint: Checkpoint | None, recorder: Recorder) -> None:
        self._checkpoint, self._recorder = checkpoint, recorder

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
        # First what may be refused: nothing is put back of a search that can't go on.
        at = Position.from_state(state["position"])
        self._check_loss(state.get("loss"), rows.shape[1])
        recorder.record.append_rows(rows)
        recorder.evaluator.set_gates(state["gates_s"])
        recorder.busy_s = state["busy_s"]
        # Searches that were saved before such candidates counted have none.
        recorder.record.n_apart = state.get("n_apart", 0.0)
        recorder.start_clock(state["elapsed_s"])
        before, now = (state["evals"] or state["seconds"]), (recorder.evals or recorder.seconds)
        if state["reason"] and (now or 0.0) > before:
            # Its sampler goes on; what comes is looked at by itself.
            at.step, at.first_row = n_steps - 1, len(recorder.record)
            if isinstance(at.sampler, BasinHopping):
                at.sampler.look_further()
        return at, str(state["reason"])

    def _check_loss(self, saved: dict[str, Any] | None, n_columns: int) -> None:
        """Refuse a search whose distances would be mixed with others."""
        change = loss_change(saved["version"], saved["parts"]) if saved else ""
        expected = self._recorder.record.rows().shape[1]
        if not change and n_columns != expected:
            change = f"{n_columns} figures were kept for each try then, {expected} are now"
        if change:
            folder = None if self._checkpoint is None else self._checkpoint.folder
            raise RunFolderError(
                f"{folder}: distances were measured otherwise when this search began: {change}. "
                "It can't be gone on with; refine its patch (earwright refine), or match again.",
                path=folder,
            )

    def save(self, at: Position, *, reason: str = "", wait: bool = False) -> None:
        """Write a checkpoint."""
        if self._checkpoint is None:
            return
        state = {
            "position": at.to_state(),
            "gates_s": [note.gate_s for note in self._recorder.evaluator.notes],
            "elapsed_s": self._recorder.elapsed_s,
            "busy_s": self._recorder.busy_s,
            "n_apart": self._recorder.record.n_apart,
            "evals": self._recorder.evals,
            "seconds": self._recorder.seconds,
            "reason": reason,
            "loss": {"version": LOSS_VERSION, "parts": list(self._recorder.record.loss_terms)},
        }
        self._checkpoint.save(state, self._recorder.record, wait=wait)

    def save_if_due(self, at: Position) -> None:
        """Write a checkpoint every few seconds."""
        if self._checkpoint is not None and self._checkpoint.is_due:
            self.save(at)


def _append(path: Path, data: bytes, place: int) -> None:
    """Write bytes at a place in a file, cut it off behind them, and push it to the disk."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o666)
    try:
        os.ftruncate(handle, place)
        os.lseek(handle, place, os.SEEK_SET)
        view = memoryview(data)
        while view:
            view = view[os.write(handle, view[:_CHUNK_BYTES]) :]
        os.fsync(handle)
    finally:
        os.close(handle)
