"""The record of a search."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from matcher.optimise import SearchRecord
from shared import CATALOGUE
from shared.errors import FileError, ParameterError

if TYPE_CHECKING:
    from pathlib import Path

SPACE = CATALOGUE.only("filter.*", "osc1.octave")
NAMES = (*SPACE.names, "C4_v100/osc2.phase")


def _record(n_evaluations: int, rng: np.random.Generator) -> SearchRecord:
    """Make a record of random candidates, with a loss that mostly falls."""
    record = SearchRecord(NAMES, loss_terms=("spectrum", "onset"))
    for first in range(0, n_evaluations, 16):
        size = min(16, n_evaluations - first)
        terms = rng.random((size, 2)) + 100.0 / (first + 1.0)
        record.append(
            rng.random((size, len(NAMES))),
            terms.sum(axis=1),
            elapsed_s=0.01 * (first + size),
            terms=terms,
        )
    return record


def test_batches_stand_in_the_order_of_evaluation() -> None:
    """What was appended is there, however often the table had to grow."""
    rng = np.random.default_rng(1)
    candidates, losses = rng.random((5000, len(NAMES))), rng.random(5000)
    record = SearchRecord(NAMES)
    for first in range(0, 5000, 100):
        record.append(
            candidates[first : first + 100], losses[first : first + 100], elapsed_s=first / 10
        )
    assert len(record) == 5000
    np.testing.assert_array_equal(record.candidates, candidates)
    np.testing.assert_array_equal(record.losses, losses)
    np.testing.assert_array_equal(record.elapsed_s, np.repeat(np.arange(0, 500, 10.0), 100))
    assert record.terms.shape == (5000, 0)


def test_views_can_not_be_written_to(rng: np.random.Generator) -> None:
    """A record is what happened."""
    record = _record(32, rng)
    for view in (record.candidates, record.losses, record.elapsed_s, record.terms):
        with pytest.raises(ValueError, match="read-only"):
            view[0] = 0.0


def test_what_is_not_finite_is_kept_as_the_worst() -> None:
    """NaN would be neither better nor worse than anything."""
    record = SearchRecord(["a"])
    record.append([[0.1], [0.2], [0.3]], [np.nan, -np.inf, 1.0])
    assert record.losses.tolist() == [np.inf, np.inf, 1.0]
    assert record.improvements().tolist() == [2]


@pytest.mark.parametrize("n_evaluations", [0, 1, 3000])
def test_an_archive_comes_back_to_the_bit(
    tmp_path: Path, rng: np.random.Generator, n_evaluations: int
) -> None:
    """A resumed search goes on with the record that it had."""
    record = _record(n_evaluations, rng)
    record.to_npz(tmp_path / "search.npz", overwrite=False)
    back = SearchRecord.from_npz(tmp_path / "search.npz")
    assert back.names == record.names
    assert back.loss_terms == record.loss_terms
    for name in ("candidates", "losses", "elapsed_s", "terms"):
        np.testing.assert_array_equal(getattr(back, name), getattr(record, name))
    back.append(np.full((1, len(NAMES)), 0.5), [0.0], terms=[[0.0, 0.0]])
    assert len(back) == n_evaluations + 1


def test_plain_numpy_reads_the_archive(tmp_path: Path, rng: np.random.Generator) -> None:
    """Nobody needs this program to look into a search."""
    record = _record(48, rng)
    record.to_npz(tmp_path / "search.npz", overwrite=False)
    with np.load(tmp_path / "search.npz", allow_pickle=False) as archive:
        np.testing.assert_array_equal(archive["losses"], record.losses)


@pytest.mark.parametrize("damage", ["missing", "cut", "other"])
def test_a_damaged_archive_is_refused(
    tmp_path: Path, rng: np.random.Generator, damage: str
) -> None:
    """The message names the file."""
    path = tmp_path / "search.npz"
    _record(48, rng).to_npz(path, overwrite=False)
    if damage == "missing":
        path.unlink()
    elif damage == "cut":
        path.write_bytes(path.read_bytes()[:-300])
    else:
        np.savez(path, signal=np.zeros(3))
    with pytest.raises(FileError, match=r"search\.npz can't be read as a search record"):
        SearchRecord.from_npz(path)


@pytest.mark.parametrize(
    ("batch", "message"),
    [
        (([[0.5]], [1.0]), r"candidates has shape \(1, 1\); it must be \(1, 2\)"),
        (([[0.5, 0.5]], [1.0, 2.0]), r"losses has shape \(2,\); it must be \(1,\)"),
        (([[0.5, 0.5]], [1.0], [[1.0, 2.0]]), r"terms has shape \(1, 2\); it must be \(1, 1\)"),
    ],
)
def test_shapes_that_do_not_fit_are_refused(batch: tuple[Any, ...], message: str) -> None:
    """A record has no half rows."""
    record = SearchRecord(["a", "b"], loss_terms=["spectrum"])
    with pytest.raises(ParameterError, match=message):
        record.append(batch[0], batch[1], terms=batch[2] if len(batch) > 2 else None)
    assert len(record) == 0


def test_doubled_names_are_refused() -> None:
    """Columns are found by their names."""
    with pytest.raises(ParameterError, match="a is twice in names"):
        SearchRecord(["a", "b", "a"])
