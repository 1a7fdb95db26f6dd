"""Checkpoints: whole at every instant, and exact."""

from __future__ import annotations

import errno
import os
import shutil
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

import matcher.search.checkpoint
from matcher.optimise import SearchRecord
from matcher.search.checkpoint import Checkpoint, Position
from shared import EarwrightWarning, ParameterError, RunFolderError

if TYPE_CHECKING:
    from pathlib import Path


def _record(n_rows: int) -> SearchRecord:
    """Return a record of so many evaluations, the same beginning for every length."""
    values = np.random.default_rng(5).random((1000, 6))
    record = SearchRecord(("a", "b", "c"), loss_terms=("t",))
    for row in values[:n_rows]:
        record.append(row[None, :3], row[3:4], elapsed_s=float(row[4]), terms=row[None, 5:])
    return record


def _save(folder: Path, *lengths: int) -> None:
    """Save a growing record, one state after the other."""
    with Checkpoint(folder) as checkpoint:
        for length in lengths:
            checkpoint.save({"n": length, "x": np.arange(3.0)}, _record(length), wait=True)


def _save_twice(checkpoint: Checkpoint) -> None:
    """Save two states in a row."""
    checkpoint.save({"n": 7}, _record(40), wait=True)
    checkpoint.save({"n": 8}, _record(50), wait=True)


def _load(folder: Path) -> tuple[dict[str, Any], Any] | None:
    """Read a checkpoint."""
    with Checkpoint(folder) as checkpoint:
        return checkpoint.load()


def test_the_last_state_comes_back_with_its_rows(tmp_path: Path) -> None:
    """State and rows are read back to the bit; before the first saving there is nothing."""
    assert _load(tmp_path / "new") is None
    _save(tmp_path, 3, 10, 11)
    loaded = _load(tmp_path)
    assert loaded is not None
    state, rows = loaded
    assert state["n"] == 11
    np.testing.assert_array_equal(state["x"], [0.0, 1.0, 2.0])
    np.testing.assert_array_equal(rows, _record(11).rows())


def test_saving_goes_on_after_loading(tmp_path: Path) -> None:
    """Rows of later savings are added behind those that were loaded."""
    _save(tmp_path, 4, 9)
    with Checkpoint(tmp_path) as checkpoint:
        assert checkpoint.load() is not None
        checkpoint.save({"n": 20}, _record(20), wait=True)
    loaded = _load(tmp_path)
    assert loaded is not None
    assert loaded[0]["n"] == 20
    np.testing.assert_array_equal(loaded[1], _record(20).rows())


def test_every_cut_of_the_last_saving_leaves_a_whole_state(tmp_path: Path) -> None:
    """Rows cut or too long, and a state cut anywhere, lead back to a state that was whole."""
    first, second = tmp_path / "first", tmp_path / "second"
    _save(first, 5)
    shutil.copytree(first, second)
    with Checkpoint(second) as checkpoint:
        checkpoint.load()
        checkpoint.save({"n": 30}, _record(30), wait=True)
    rows = (second / "rows.f64").read_bytes()
    newest = (second / "state-1").read_bytes()
    for length in range(5 * 48, len(rows), 100):  # while rows are written: no new state yet
        shutil.copytree(first, tmp_path / "cut", dirs_exist_ok=True)
        (tmp_path / "cut" / "rows.f64").write_bytes(rows[:length])
        loaded = _load(tmp_path / "cut")
        assert loaded is not None
        assert loaded[0]["n"] == 5
        np.testing.assert_array_equal(loaded[1], _record(5).rows())
    for length in range(0, len(newest), 97):  # a disk that has lost a part of the newest state
        (second / "state-1").write_bytes(newest[:length])
        loaded = _load(second)
        assert loaded is not None
        assert loaded[0]["n"] == 5


def test_a_changed_bit_is_seen(tmp_path: Path) -> None:
    """A flipped bit in state or rows leads to the state before, or to our error."""
    _save(tmp_path, 5, 30)
    rows = bytearray((tmp_path / "rows.f64").read_bytes())
    rows[48 * 20] ^= 1  # behind the rows of the first state
    (tmp_path / "rows.f64").write_bytes(rows)
    loaded = _load(tmp_path)
    assert loaded is not None
    assert loaded[0]["n"] == 5
    rows[0] ^= 1
    (tmp_path / "rows.f64").write_bytes(rows)
    with pytest.raises(RunFolderError, match="damaged"):
        _load(tmp_path)


def test_rows_may_move_to_the_record(tmp_path: Path) -> None:
    """Once a record file holds the rows, they are taken from there, also to go on."""
    _save(tmp_path, 8)
    _record(12).to_npz(tmp_path / "record.npz", overwrite=False)
    with Checkpoint(tmp_path, finished_record=tmp_path / "record.npz") as checkpoint:
        checkpoint.drop_rows()
        assert not (tmp_path / "rows.f64").exists()
        loaded = checkpoint.load()
        assert loaded is not None
        np.testing.assert_array_equal(loaded[1], _record(8).rows())
        # The rows are being written anew when the power fails: the record still has them.
        (tmp_path / "rows.f64").write_bytes(_record(3).rows().tobytes())
    with Checkpoint(tmp_path, finished_record=tmp_path / "record.npz") as checkpoint:
        loaded = checkpoint.load()
        assert loaded is not None
        np.testing.assert_array_equal(loaded[1], _record(8).rows())
        checkpoint.save({"n": 9}, _record(9), wait=True)
    loaded = _load(tmp_path)
    assert loaded is not None
    np.testing.assert_array_equal(loaded[1], _record(9).rows())


def test_a_full_disk_is_a_warning_and_the_last_state_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While nothing can be written, one warning comes; when it can be again, it is."""
    _save(tmp_path, 6)
    write = os.write

    def full(handle: int, data: bytes) -> int:
        write(handle, data[: len(data) // 2])
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with Checkpoint(tmp_path) as checkpoint:
        checkpoint.load()
        with monkeypatch.context() as patch:
            patch.setattr(matcher.search.checkpoint.os, "write", full)
            with pytest.warns(EarwrightWarning, match="No space left on device") as caught:
                _save_twice(checkpoint)
            assert len(caught) == 1
            loaded = _load(tmp_path)
            assert loaded is not None
            assert loaded[0]["n"] == 6
        checkpoint.save({"n": 9}, _record(60), wait=True)
    loaded = _load(tmp_path)
    assert loaded is not None
    assert loaded[0]["n"] == 9
    np.testing.assert_array_equal(loaded[1], _record(60).rows())


def test_a_search_with_other_phases_is_refused() -> None:
    """Vectors of before would be read as other phases; the message says what to do."""
    position = Position(np.arange(3), np.zeros(3))
    state = position.to_state() | {"version": 1}
    with pytest.raises(ParameterError, match="refine its best patch"):
        Position.from_state(state)
