"""All evaluations as columns by name, for tables of data.

One line makes a data frame of the file::

    frame = pandas.DataFrame(dict(numpy.load("evaluations.npz")))

A table of text takes ten times as long to write, and twice the room at full precision.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np

from shared.files import write_atomic

if TYPE_CHECKING:
    from pathlib import Path

    from matcher.optimise.record import SearchRecord
    from shared import ParameterSpace


def write_columns(
    record: SearchRecord, space: ParameterSpace, path: str | Path, *, overwrite: bool
) -> None:
    """Write a record as a NumPy archive with one array for each column, whole or not at all.

    Parameters
    ----------
    record : SearchRecord
        What was evaluated.
    space : ParameterSpace
        Parameters whose columns are written in their own units; others (phases) stay in [0, 1].
    path : str or Path
        File to write (``.npz``).
    overwrite : bool
        Whether a file of that name may be replaced.

    Raises
    ------
    FileError
        If the file can't be written.
    ParameterError
        If the record has no column for a parameter.

    Notes
    -----
    Columns: ``evaluation`` (from 1), ``elapsed_s``, ``loss``, the loss terms with ``loss.`` before
    their names, and the dimensions of a candidate.
    """
    values = record.physical(space)
    columns = {
        "evaluation": np.arange(1, len(record) + 1),
        "elapsed_s": record.elapsed_s,
        "loss": record.losses,
        **{f"loss.{name}": record.terms[:, i] for i, name in enumerate(record.loss_terms)},
        **{name: values[:, i] for i, name in enumerate(record.names)},
    }
    buffer = io.BytesIO()
    # mypy takes names of columns for options.
    np.savez(buffer, **columns)  # type: ignore[arg-type]
    write_atomic(path, buffer.getvalue(), overwrite=overwrite)
