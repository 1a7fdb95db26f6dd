"""The search problem: vectors in [0, 1]^n on one side, sounds and losses on the other.

A vector holds the free parameters of the structure, then, for each note, the nuisance phases that
can be heard. `matcher.evaluator` renders and scores them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from matcher.pivots import OSC1, Pivot, phases_at_pivot, phases_at_start
from matcher.voice_map import PHASE_DEPTHS
from shared import CATALOGUE, PHASE_NAMES, FloatArray, ParameterSpace
from shared.patch import NotePhases

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from shared.types import IntArray
    from voice import Structure

__all__ = ["Problem", "whole_vectors"]


@dataclass(frozen=True)
class Problem:
    """What is searched: a space, a structure around it, and the phases of each note.

    Parameters
    ----------
    structure : Structure
        The voice.
    space : ParameterSpace
        The searched parameters, all of them free in the structure.
    base : mapping of str to float
        Values of all other parameters of the catalogue.
    n_notes : int >= 1
        Number of notes.
    pivots : tuple of Pivot, optional
        One for each note, if vectors hold its phases as they are in the middle of the note; at
        its start if left out.
    """

    structure: Structure
    space: ParameterSpace
    base: Mapping[str, float]
    n_notes: int
    pivots: tuple[Pivot, ...] = ()

    @cached_property
    def phase_columns(self) -> tuple[int, ...]:
        """Columns of the phase matrix that are searched."""
        return tuple(
            i
            for i, name in enumerate(PHASE_NAMES)
            if self._source(i) == i and any(self._can_sound(p) for p in PHASE_DEPTHS[name])
        )

    @property
    def n_dimensions(self) -> int:
        """Length of a vector."""
        return len(self.space) + self.n_notes * len(self.phase_columns)

    @property
    def circular(self) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Which entries wrap, shape (n_dimensions,)."""
        mask = np.zeros(self.n_dimensions, dtype=np.bool_)
        mask[len(self.space) :] = True
        return mask

    @cached_property
    def cells(self) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """Number of steps or choices of each entry, 0 for continuous ones."""
        counts = np.zeros(self.n_dimensions, dtype=np.int64)
        for i, parameter in enumerate(self.space):
            if parameter.choices:
                counts[i] = len(parameter.choices)
            elif parameter.step is not None:
                counts[i] = round((parameter.high - parameter.low) / parameter.step) + 1
        return counts

    def values(self, vectors: FloatArray) -> FloatArray:
        """Decode vectors into physical values.

        Parameters
        ----------
        vectors : np.ndarray, shape=(n_candidates, n_dimensions), 0 to 1
            Candidates.

        Returns
        -------
        np.ndarray, shape=(n_candidates, 82), dtype=float64
            All parameters, columns in the catalogue's order.
        """
        full = np.tile([self.base[name] for name in CATALOGUE.names], (len(vectors), 1))
        columns = [CATALOGUE.index(name) for name in self.space.names]
        full[:, columns] = self.space.decode(vectors[:, : len(self.space)])
        self.structure.follow_links(full)
        return full

    def phases(
        self, vectors: FloatArray, i_note: int, *, values: FloatArray | None = None
    ) -> FloatArray:
        """Take the phases of one note at its start out of vectors.

        Parameters
        ----------
        vectors : np.ndarray, shape=(n_candidates, n_dimensions), 0 to 1
            Candidates.
        i_note : int
            Number of the note.
        values : np.ndarray, shape=(n_candidates, len(CATALOGUE)), optional
            What `values` gives for the same vectors, if it is known already.

        Returns
        -------
        np.ndarray, shape=(n_candidates, 7), dtype=float64, 0 <= phase < 1
            Phases in cycles, columns as in `PHASE_NAMES`; those that can't be heard are 0.
        """
        phases = np.zeros((len(vectors), len(PHASE_NAMES)))
        first = len(self.space) + i_note * len(self.phase_columns)
        columns = list(self.phase_columns)
        phases[:, columns] = np.mod(vectors[:, first : first + len(columns)], 1.0)
        self._follow_links(phases)
        if self.pivots and columns:
            known = self.values(vectors) if values is None else values
            phases = phases_at_start(known, phases, self.pivots[i_note], columns)
            self._follow_links(phases)
        return phases

    def _follow_links(self, phases: FloatArray) -> None:
        """Give linked LFOs the phase of the one that they are linked to."""
        for i in range(len(PHASE_NAMES)):
            phases[:, i] = phases[:, self._source(i)]

    def note_phases(self, vector: FloatArray) -> tuple[NotePhases, ...]:
        """Name the phases of one candidate, note by note."""
        rows = (self.phases(vector[None, :], i)[0] for i in range(self.n_notes))
        return tuple(NotePhases(dict(zip(PHASE_NAMES, row.tolist(), strict=True))) for row in rows)

    def vector(
        self, values: Mapping[str, float], phases: Sequence[Mapping[str, float]] = ()
    ) -> FloatArray:
        """Encode values, and phases if there are any, as one vector.

        Parameters
        ----------
        values : mapping of str to float
            Physical values; those outside a range move to its end, those left out to neutral.
        phases : sequence of mapping
            Phases of each note; if left out, oscillator 1 begins its cycle, and the others stand a
            quarter of a cycle apart.

        Returns
        -------
        np.ndarray, shape=(n_dimensions,), dtype=float64
            The vector.
        """
        known = {name: values.get(name, self.base[name]) for name in self.space.names}
        unit = self.space.encode(self.space.clip(known))
        row = np.concatenate([unit, np.zeros(self.n_dimensions - len(unit))])
        decoded = self.values(row[None, :]) if self.pivots and phases else None
        rest = [
            value
            for i in range(self.n_notes)
            for value in self._told(phases[i] if i < len(phases) else None, i, decoded)
        ]
        return np.concatenate([unit, np.array(rest, dtype=np.float64) % 1.0])

    def _told(
        self, phases: Mapping[str, float] | None, i_note: int, values: FloatArray | None
    ) -> list[float]:
        """Tell the phases of one note as vectors hold them; apart if there are none."""
        columns = list(self.phase_columns)
        if phases is None:
            return [0.0 if column == OSC1 else 0.25 * column for column in columns]
        starts = np.array([[phases[name] for name in PHASE_NAMES]])
        if self.pivots and values is not None:
            starts = phases_at_pivot(values, starts, self.pivots[i_note], columns)
        told: list[float] = starts[0, columns].tolist()
        return told

    def _can_sound(self, name: str) -> bool:
        """Whether a level or depth is searched, or stands away from zero."""
        name = self.structure.links.get(name, name)
        return name in self.space or self.base[name] != 0.0

    def _source(self, column: int) -> int:
        """Column of the LFO that this one is linked to, or itself."""
        part = PHASE_NAMES[column].removesuffix(".phase")
        source = self.structure.links.get(f"{part}.rate_hz")
        if source is None:
            return column
        return PHASE_NAMES.index(source.removesuffix(".rate_hz") + ".phase")


def whole_vectors(base: FloatArray, columns: IntArray, rows: FloatArray) -> FloatArray:
    """Put entries that move into whole vectors.

    Parameters
    ----------
    base : np.ndarray, shape=(n_dimensions,)
        What stands in all the others.
    columns : np.ndarray of int, shape=(n_moving,)
        Which entries move.
    rows : np.ndarray, shape=(n_rows, n_moving)
        Their values.

    Returns
    -------
    np.ndarray, shape=(n_rows, n_dimensions), dtype=float64
        One vector for each row.
    """
    vectors: FloatArray = np.tile(base, (len(rows), 1))
    vectors[:, columns] = rows
    return vectors
