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
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.optimise import SearchRecord, state_from_bytes, state_to_bytes
from shared import EarwrightError, EarwrightWarning, FileError, RunFolderError, write_atomic

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

    from shared import FloatArray

__all__ = ["EVERY_S", "Checkpoint"]

# At most 5 s of search may be lost: this, a batch, and the writing itself.
EVERY_S = 2.5
ROWS_FILE = "rows.f64"
STATE_FILES = ("state-0", "state-1")
_HEADER = b"earwright checkpoint 1 "
_CHUNK_BYTES = 1 << 22


class Checkpoint:
    """A folder that a search is saved to; use it in a ``with`` block, as it owns a thread.

    Parameters
    ----------
    folder : str or Path
        The folder; it is made when something is saved.
    every_s : float >= 0
        Seconds between two savings.
    finished_record : Path, optional
        Record of the search once it has ended (``record.npz``), which then holds the rows.
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

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Finish writing and end the thread."""
        self._pool.shutdown(wait=True)

    @property
    def is_due(self) -> bool:
        """Whether enough time has passed, and the last writing is over."""
        is_idle = self._writing is None or self._writing.done()
        return is_idle and time.monotonic() - self._saved_at >= self._every_s

    def save(self, state: dict[str, Any], record: SearchRecord, *, wait: bool = False) -> None:
        """Save a moment of the search.

        Parameters
        ----------
        state : dict
            As `matcher.optimise.state_to_bytes` takes it.
        record : SearchRecord
            Every evaluation; only what is new is written.
        wait : bool
            Whether to wait until it is on the disk.

        Warns
        -----
        EarwrightWarning
            Once, if it can't be written; it is tried again the next time.
        """
        self._settle()
        self._saved_at = time.monotonic()
        rows = record.rows(self._n_rows)
        self._writing = self._pool.submit(self._write, state_to_bytes(state), rows)
        if wait:
            self._settle()

    def load(self) -> tuple[dict[str, Any], FloatArray] | None:
        """Read the newest whole state and its rows, and make ready to go on from there.

        Returns
        -------
        tuple of (dict, np.ndarray, shape=(n_rows, n_columns)), or None
            The state as it was saved, and the rows; None if nothing was ever saved.

        Raises
        ------
        RunFolderError
            If there are states, and none is whole.
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
