"""Everything a search has evaluated, and the files that it is kept in."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from shared.errors import FileError, ParameterError
from shared.files import write_atomic

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from shared.types import FloatArray

_FORMAT_VERSION = 1
_FIRST_CAPACITY = 1024


class SearchRecord:
    """Candidates, losses, loss terms and times of a search, in the order of evaluation.

    Parameters
    ----------
    names : sequence of str
        Name of each dimension of a candidate.
    loss_terms : sequence of str, optional
        Names of the parts that the loss is made of.

    Raises
    ------
    ParameterError
        If a name is there twice.
    """

    def __init__(self, names: Sequence[str], *, loss_terms: Sequence[str] = ()) -> None:
        self.names = tuple(names)
        self.loss_terms = tuple(loss_terms)
        for kind, given in (("names", self.names), ("loss_terms", self.loss_terms)):
            doubled = [name for name in given if given.count(name) > 1]
            if doubled:
                raise ParameterError(
                    f"{doubled[0]} is twice in {kind}; each name must be there once.", name=kind
                )
        # Columns: candidate, loss, time, loss terms. One table doubles its rows when full, so
        # that adding a batch costs the batch only.
        self._n_dimensions = len(self.names)
        self._table = np.empty((_FIRST_CAPACITY, self._n_dimensions + 2 + len(self.loss_terms)))
        self._n_rows = 0
        # Candidates that are no rows here (shortened, or with another gate), by their share of
        # whole ones.
        self.n_apart = 0.0

    @property
    def n_evaluations(self) -> float:
        """Count the evaluations, those that are no rows included."""
        return self._n_rows + self.n_apart

    def __len__(self) -> int:
        """Count the evaluations."""
        return self._n_rows

    @property
    def candidates(self) -> FloatArray:
        """Candidates in [0, 1], shape=(n_evaluations, n_dimensions); read-only."""
        return self._columns(0, self._n_dimensions)

    @property
    def losses(self) -> FloatArray:
        """Losses, shape=(n_evaluations,); infinite where none was finite; read-only."""
        return self._columns(self._n_dimensions, self._n_dimensions + 1)[:, 0]

    @property
    def elapsed_s(self) -> FloatArray:
        """Seconds since the search began, shape=(n_evaluations,); read-only."""
        return self._columns(self._n_dimensions + 1, self._n_dimensions + 2)[:, 0]

    @property
    def terms(self) -> FloatArray:
        """Loss terms, shape=(n_evaluations, n_loss_terms); NaN where not given; read-only."""
        return self._columns(self._n_dimensions + 2, self._table.shape[1])

    def append(
        self,
        candidates: npt.ArrayLike,
        losses: npt.ArrayLike,
        *,
        elapsed_s: float = 0.0,
        terms: npt.ArrayLike | None = None,
    ) -> None:
        """Add a batch.

        Parameters
        ----------
        candidates : array-like, shape=(n_candidates, n_dimensions)
            In [0, 1].
        losses : array-like, shape=(n_candidates,)
            What isn't finite is kept as infinity.
        elapsed_s : float >= 0
            Seconds since the search began, when the batch was done.
        terms : array-like, shape=(n_candidates, n_loss_terms), optional
            Parts of the losses, in the order of `loss_terms`.
        """
        rows = np.array(candidates, dtype=np.float64)
        n_rows = len(rows)
        values = np.array(losses, dtype=np.float64)
        parts = np.full((n_rows, len(self.loss_terms)), np.nan) if terms is None else terms
        given = np.array(parts, dtype=np.float64)
        _check_shape("candidates", rows, (n_rows, self._n_dimensions))
        _check_shape("losses", values, (n_rows,))
        _check_shape("terms", given, (n_rows, len(self.loss_terms)))
        values[~np.isfinite(values)] = np.inf
        times = np.full((n_rows, 1), elapsed_s)
        self._extend(np.hstack([rows, values[:, np.newaxis], times, given]))

    def rows(self, first: int = 0) -> FloatArray:
        """Copy everything from an evaluation on, one row for each; `append_rows` takes them.

        Columns are the candidate, its loss, its time and its loss terms.
        """
        return self._table[first : self._n_rows].copy()

    def append_rows(self, rows: FloatArray) -> None:
        """Add evaluations as `rows` gives them, to the bit."""
        _check_shape("rows", rows, (len(rows), self._table.shape[1]))
        self._extend(rows)

    def improvements(self) -> npt.NDArray[np.intp]:
        """Return the places of the evaluations that were better than all before, in order."""
        losses = self.losses
        before = np.concatenate([[np.inf], np.minimum.accumulate(losses)[:-1]])
        return np.flatnonzero(losses < before)

    def to_npz(self, path: str | Path, *, overwrite: bool) -> None:
        """Write all evaluations as a NumPy archive, whole or not at all; see `from_npz`."""
        names = {
            "names": self.names,
            "loss_terms": self.loss_terms,
            "n_apart": self.n_apart,
            "version": _FORMAT_VERSION,
        }
        buffer = io.BytesIO()
        np.savez(
            buffer,
            candidates=self.candidates,
            losses=self.losses,
            elapsed_s=self.elapsed_s,
            terms=self.terms,
            header=np.array(json.dumps(names)),
        )
        write_atomic(path, buffer.getvalue(), overwrite=overwrite)

    @classmethod
    def from_npz(cls, path: str | Path) -> SearchRecord:
        """Read what `to_npz` wrote, to the bit; nothing in the file is executed.

        Raises
        ------
        FileError
            If the file is missing, damaged or something else.
        """
        try:
            # From memory: numpy leaves a file open that it can't unzip.
            data = io.BytesIO(Path(path).read_bytes())
            with np.load(data, allow_pickle=False) as archive:
                header = json.loads(str(archive["header"]))
                if header["version"] != _FORMAT_VERSION:
                    raise ValueError(f"it has version {header['version']!r}")  # noqa: TRY301
                record = cls(header["names"], loss_terms=header["loss_terms"])
                # Files of before such candidates counted don't have them.
                record.n_apart = float(header.get("n_apart", 0.0))
                losses, times = archive["losses"], archive["elapsed_s"]
                rows = [archive["candidates"], losses[:, None], times[:, None], archive["terms"]]
            table = np.hstack(rows)
            _check_shape("the table", table, (len(table), record._table.shape[1]))
            record._extend(table)
        except Exception as error:
            # A damaged zip raises a dozen kinds of errors in zipfile, zlib and numpy.
            raise FileError(
                f"{path} can't be read as a search record: {error}. It must be a file "
                f"written by to_npz (version {_FORMAT_VERSION}).",
                path=path,
            ) from error
        return record

    def _columns(self, first: int, last: int) -> FloatArray:
        """Return a read-only view of some columns."""
        view = self._table[: self._n_rows, first:last]
        view.flags.writeable = False
        return view

    def _extend(self, rows: FloatArray) -> None:
        """Add rows to the table."""
        n_rows = self._n_rows + len(rows)
        if n_rows > len(self._table):
            grown = np.empty((max(n_rows, 2 * len(self._table)), self._table.shape[1]))
            grown[: self._n_rows] = self._table[: self._n_rows]
            self._table = grown
        self._table[self._n_rows : n_rows] = rows
        self._n_rows = n_rows


def _check_shape(name: str, array: FloatArray, shape: tuple[int, ...]) -> None:
    """Refuse an array of another shape."""
    if array.shape != shape:
        raise ParameterError(
            f"{name} has shape {array.shape}; it must be {shape} here.", name=name
        )
