"""Checks of what callers of the search hand over, once, at its public doors."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from matcher.optimise._box import Box
from shared.errors import ParameterError

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from shared.types import FloatArray


def check_number(name: str, value: int, *, low: int) -> None:
    """Refuse what isn't a whole number from `low` up."""
    if isinstance(value, bool) or not isinstance(value, (int, np.integer)) or value < low:
        raise ParameterError(
            f"{name} is {value!r}; a whole number from {low} up is accepted.",
            name=name,
            value=value,
        )


def checked_box(
    n_dimensions: int, *, circular: npt.ArrayLike | None, cells: npt.ArrayLike | None
) -> Box:
    """Read which dimensions go round and which are stepped."""
    shape = (n_dimensions,)
    rounds = np.zeros(shape, bool) if circular is None else np.array(circular, bool)
    steps = np.zeros(shape, np.int64) if cells is None else np.array(cells, np.int64)
    for name, array in (("circular", rounds), ("cells", steps)):
        if array.shape != shape:
            raise ParameterError(
                f"{name} has shape {array.shape}; {shape} is accepted, one entry for each "
                "dimension.",
                name=name,
                value=array.shape,
            )
    if np.any(steps < 0) or np.any(rounds & (steps > 0)):
        raise ParameterError(
            "cells has a negative entry or one above 0 where circular is true; 0 (continuous) or "
            "more is accepted, and 0 only where the dimension goes round.",
            name="cells",
            value=steps,
        )
    return Box(circular=rounds, cells=steps)


def checked_starts(starts: npt.ArrayLike | None, n_dimensions: int) -> FloatArray:
    """Read the start vectors; none at all gives an array of no rows."""
    if starts is None:
        return np.empty((0, n_dimensions))
    rows = np.array(starts, dtype=np.float64)
    if rows.ndim != 2 or rows.shape[1] != n_dimensions:
        raise ParameterError(
            f"starts has shape {rows.shape}; (n_starts, {n_dimensions}) is accepted, one row for "
            "each start.",
            name="starts",
            value=rows.shape,
        )
    if not np.all((rows >= 0.0) & (rows <= 1.0)):
        worst = rows[~((rows >= 0.0) & (rows <= 1.0))][0]
        raise ParameterError(
            f"starts holds {worst:g}; 0 to 1 is accepted. Encode physical values first.",
            name="starts",
            value=float(worst),
        )
    return rows


def finite_losses(losses: npt.ArrayLike, n_candidates: int) -> FloatArray:
    """Read losses, with infinity for every value that isn't finite.

    Parameters
    ----------
    losses : array-like, shape=(n_candidates,)
        As told.
    n_candidates : int
        How many there must be.

    Returns
    -------
    np.ndarray, shape=(n_candidates,)
        Finite values and infinity.

    Raises
    ------
    ParameterError
        If there are more or fewer.
    """
    values = np.array(losses, dtype=np.float64)
    if values.shape != (n_candidates,):
        raise ParameterError(
            f"losses have shape {values.shape}; ({n_candidates},) is accepted, one for each "
            "candidate.",
            name="losses",
            value=values.shape,
        )
    return np.where(np.isfinite(values), values, math.inf)


def check_told(candidates: npt.ArrayLike, pending: FloatArray) -> int:
    """Refuse candidates other than those that were asked for and come next.

    Parameters
    ----------
    candidates : array-like, shape=(n_candidates, n_dimensions)
        As told.
    pending : np.ndarray, shape=(n_pending, n_dimensions)
        Asked and not yet told, in order.

    Returns
    -------
    int
        Number of candidates told.

    Raises
    ------
    ParameterError
        If they differ in number, order or value.
    """
    rows = np.array(candidates, dtype=np.float64)
    n_told = len(rows)
    if n_told > len(pending) or not np.array_equal(rows, pending[:n_told]):
        raise ParameterError(
            f"tell got {n_told} candidates that aren't the next of the {len(pending)} asked for; "
            "tell all that ask returned, unchanged and in the same order.",
            name="candidates",
            value=rows.shape,
        )
    return n_told


def check_version(state: Mapping[str, object], version: int) -> None:
    """Refuse a saved state that another version of the sampler wrote.

    Parameters
    ----------
    state : mapping
        As restored.
    version : int
        The version that is understood.

    Raises
    ------
    ParameterError
        If they differ.
    """
    if state.get("version") != version:
        raise ParameterError(
            f"the saved search has version {state.get('version')!r}; {version} is accepted. Start "
            "the search anew, from its best patch.",
            name="version",
            value=state.get("version"),
        )
