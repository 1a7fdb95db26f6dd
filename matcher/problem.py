"""The search problem: vectors in [0, 1]^n on one side, sounds and losses on the other.

A vector holds the free parameters of the structure, then, for each note, the nuisance phases that
can be heard, then which kind of pulse the instrument has. `matcher.evaluator` renders and scores
them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from matcher.phase_reference import OSC1, PhaseReference, phases_at_reference, phases_at_start
from matcher.voice_map import LEVELS, PHASE_DEPTHS
from shared import CATALOGUE, PHASE_NAMES, PULSE_KIND, FloatArray, ParameterSpace
from shared.patch import NotePhases

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from shared import Parameter
    from shared.types import IntArray
    from voice import Structure

__all__ = ["Problem", "whole_vectors"]

HALF_CYCLE = 0.5


@dataclass(frozen=True)
class Problem:
    """What is searched: a space, a structure around it, and the phases of each note.

    The searched parameters are free in the structure; `base` has the values of all others.
    Vectors hold the phases of a note at its reference time, or at its start if there are none.
    A `pulse_kind` that is given (of `PULSE_KIND`) isn't searched.
    """

    structure: Structure
    space: ParameterSpace
    base: Mapping[str, float]
    n_notes: int
    references: tuple[PhaseReference, ...] = ()
    pulse_kind: Mapping[str, float] = field(default_factory=dict)

    @cached_property
    def phase_columns(self) -> tuple[int, ...]:
        """Columns of the phase matrix that are searched for each note."""
        return tuple(
            i
            for i, name in enumerate(PHASE_NAMES)
            if name not in PULSE_KIND
            and self._source(i) == i
            and any(self._can_sound(p) for p in PHASE_DEPTHS[name])
        )

    @cached_property
    def pulse_columns(self) -> tuple[int, ...]:
        """Columns of the phase matrix that are searched for all notes as one, last in a vector.

        Nobody hears the polarity of pulses alone.
        """
        pulses, edge, polarity = PHASE_DEPTHS[PULSE_KIND[0]], *map(PHASE_NAMES.index, PULSE_KIND)
        if self.pulse_kind or not any(map(self._can_sound, pulses)):
            return ()
        others = [name for name in LEVELS if name not in pulses]
        is_open = not self.structure.pulse_polarity and any(map(self._can_sound, others))
        return (edge, polarity) if is_open else (edge,)

    @property
    def n_dimensions(self) -> int:
        """Length of a vector."""
        return self._first_of_pulses + len(self.pulse_columns)

    @property
    def _first_of_pulses(self) -> int:
        """Where the kind of pulse begins."""
        return len(self.space) + self.n_notes * len(self.phase_columns)

    @property
    def circular(self) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Which entries wrap, shape (n_dimensions,)."""
        mask = np.zeros(self.n_dimensions, dtype=np.bool_)
        mask[len(self.space) : self._first_of_pulses] = True
        return mask

    @cached_property
    def cells(self) -> IntArray:
        """Number of equal cells for the steps or choices of each entry, 0 for continuous ones.

        Steps that equal cells would miss, on a logarithmic scale, count as continuous.
        """
        n_phases = self._first_of_pulses - len(self.space)
        kinds = np.full(len(self.pulse_columns), 2, np.int64)
        return np.concatenate([unit_cells(self.space), np.zeros(n_phases, np.int64), kinds])

    def values(self, vectors: FloatArray) -> FloatArray:
        """Decode vectors into physical values, columns in the order of the catalogue."""
        full = np.tile([self.base[name] for name in CATALOGUE.names], (len(vectors), 1))
        columns = [CATALOGUE.index(name) for name in self.space.names]
        full[:, columns] = self.space.decode(vectors[:, : len(self.space)])
        self.structure.follow_links(full)
        return full

    def named_values(self, vector: FloatArray) -> dict[str, float]:
        """Name the values of one candidate, all of the catalogue."""
        values = self.values(vector[None, :])[0].tolist()
        return dict(zip(CATALOGUE.names, values, strict=True))

    def phase_entries(self, *phases: str) -> IntArray:
        """List the entries of some phases, of all notes; none of those that can't be heard."""
        is_wanted = [PHASE_NAMES[column] in phases for column in self.phase_columns]
        of_pulses = [PHASE_NAMES[column] in phases for column in self.pulse_columns]
        return len(self.space) + np.flatnonzero([*is_wanted * self.n_notes, *of_pulses])

    @property
    def pulse_entries(self) -> IntArray:
        """List the entries of the kind of pulse, the last of a vector."""
        return np.arange(self._first_of_pulses, self.n_dimensions)

    def phases(
        self, vectors: FloatArray, i_note: int, *, values: FloatArray | None = None
    ) -> FloatArray:
        """Take the phases of one note at its start out of vectors, columns as in `PHASE_NAMES`.

        In cycles; those that can't be heard are 0. `values` are those of the vectors, if known.
        """
        phases = np.tile(self._kind_of_pulses, (len(vectors), 1))
        of_pulses = vectors[:, self._first_of_pulses :]
        phases[:, list(self.pulse_columns)] = np.where(of_pulses < HALF_CYCLE, 0.0, HALF_CYCLE)
        first = len(self.space) + i_note * len(self.phase_columns)
        columns = list(self.phase_columns)
        phases[:, columns] = np.mod(vectors[:, first : first + len(columns)], 1.0)
        self._follow_links(phases)
        if self.references and columns:
            known = self.values(vectors) if values is None else values
            phases = phases_at_start(known, phases, self.references[i_note], columns)
            self._follow_links(phases)
        return phases

    @property
    def _kind_of_pulses(self) -> FloatArray:
        """Phases of a kind of pulse that isn't searched; the structure may say its polarity."""
        is_over = self.structure.pulse_polarity == "opposite"
        known = {"pulse.polarity": HALF_CYCLE * is_over, **self.pulse_kind}
        return np.array([known.get(name, 0.0) for name in PHASE_NAMES])

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
        """Encode values, and phases of each note if there are any, as one vector.

        Values outside a range move to its end, those left out to the base; without phases
        oscillator 1 begins its cycle, and the others are a quarter of a cycle apart.
        """
        known = {name: values.get(name, self.base[name]) for name in self.space.names}
        unit = self.space.encode(self.space.clip(known))
        row = np.concatenate([unit, np.zeros(self.n_dimensions - len(unit))])
        decoded = self.values(row[None, :]) if self.references and phases else None
        rest = [
            value
            for i in range(self.n_notes)
            for value in self._phases_held(phases[i] if i < len(phases) else None, i, decoded)
        ]
        first = phases[0] if phases else {}
        # In the middle of its cell.
        kinds = [
            0.5 * HALF_CYCLE + first.get(PHASE_NAMES[column], 0.0) for column in self.pulse_columns
        ]
        return np.concatenate([unit, np.array([*rest, *kinds], dtype=np.float64) % 1.0])

    def _phases_held(
        self, phases: Mapping[str, float] | None, i_note: int, values: FloatArray | None
    ) -> list[float]:
        """Return the phases of one note as vectors hold them; apart if there are none."""
        columns = list(self.phase_columns)
        if phases is None:
            return [0.0 if column == OSC1 else 0.25 * column for column in columns]
        starts = np.array([[phases[name] for name in PHASE_NAMES]])
        if self.references and values is not None:
            starts = phases_at_reference(values, starts, self.references[i_note], columns)
        held: list[float] = starts[0, columns].tolist()
        return held

    def _can_sound(self, name: str) -> bool:
        """Whether a level or depth is searched, or differs from zero."""
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
    """Put the entries `columns` that move, row by row, into whole vectors around a base."""
    vectors: FloatArray = np.tile(base, (len(rows), 1))
    vectors[:, columns] = rows
    return vectors


# A panel with more steps than this moves like a continuous one: a cell is then narrower than the
# draws of a run that has all but ended.
_MOST_CELLS = 128


def unit_cells(space: ParameterSpace) -> IntArray:
    """Count the equal cells of [0, 1] that stand for the steps or choices of each parameter.

    0 where a parameter is continuous, has more than 128 steps, or has steps that equal cells would
    miss (on a logarithmic scale).
    """
    return np.array([_n_cells(parameter) for parameter in space], dtype=np.int64)


def _n_cells(parameter: Parameter) -> int:
    """Count the cells of one parameter, making sure that their centres give every value."""
    if parameter.choices:
        return len(parameter.choices)
    if parameter.step is None:
        return 0
    # Four places for each cell find every step, also half a cell at the ends of the range.
    n_most = round((parameter.high - parameter.low) / parameter.step) + 1
    if n_most > _MOST_CELLS:
        return 0
    values = {parameter.decode(u) for u in np.linspace(0.0, 1.0, 4 * n_most + 1)}
    centres = (np.arange(len(values)) + 0.5) / len(values)
    return len(values) if {parameter.decode(float(u)) for u in centres} == values else 0
