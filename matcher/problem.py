"""The search problem: vectors in [0, 1]^n on one side, sounds and losses on the other.

A vector holds the free parameters of the structure, then, for each note, the nuisance phases that
can be heard. `Evaluator` renders and scores whole batches on all cores; a candidate's losses do
not depend on the batch it comes in, nor on the number of threads.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from threading import local
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import PARTS, NoteScorer, NoteTarget, totals
from shared import CATALOGUE, FloatArray, Note, ParameterError, ParameterSpace
from shared.patch import NotePhases
from shared.patch_schema import PHASE_NAMES
from voice import NoteRenderer, Structure

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from types import TracebackType
    from typing import Self

__all__ = ["Evaluator", "Problem"]

LANES = 16
# The parameters that must be able to differ from zero for a phase to be heard.
PHASE_DEPTHS = {
    "osc2.phase": ("osc2.saw_level", "osc2.pulse_level", "osc2.triangle_level"),
    "osc1.vibrato.phase": ("osc1.vibrato.depth_cents",),
    "osc2.vibrato.phase": ("osc2.vibrato.depth_cents",),
    "osc1.pwm.phase": ("osc1.pwm.depth_ratio",),
    "osc2.pwm.phase": ("osc2.pwm.depth_ratio",),
}


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
    """

    structure: Structure
    space: ParameterSpace
    base: Mapping[str, float]
    n_notes: int

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
        np.ndarray, shape=(n_candidates, 59), dtype=float64
            All parameters, columns in the catalogue's order.
        """
        full = np.tile([self.base[name] for name in CATALOGUE.names], (len(vectors), 1))
        columns = [CATALOGUE.index(name) for name in self.space.names]
        full[:, columns] = self.space.decode(vectors[:, : len(self.space)])
        for name, source in self.structure.links.items():
            full[:, CATALOGUE.index(name)] = full[:, CATALOGUE.index(source)]
        return full

    def phases(self, vectors: FloatArray, i_note: int) -> FloatArray:
        """Take the phases of one note out of vectors.

        Parameters
        ----------
        vectors : np.ndarray, shape=(n_candidates, n_dimensions), 0 to 1
            Candidates.
        i_note : int
            Number of the note.

        Returns
        -------
        np.ndarray, shape=(n_candidates, 5), dtype=float64, 0 <= phase < 1
            Phases in cycles, columns as in `PHASE_NAMES`; those that can't be heard are 0.
        """
        phases = np.zeros((len(vectors), len(PHASE_NAMES)))
        first = len(self.space) + i_note * len(self.phase_columns)
        columns = list(self.phase_columns)
        phases[:, columns] = np.mod(vectors[:, first : first + len(columns)], 1.0)
        for i in range(len(PHASE_NAMES)):
            phases[:, i] = phases[:, self._source(i)]
        return phases

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
            Phases of each note; a quarter of a cycle apart if left out.

        Returns
        -------
        np.ndarray, shape=(n_dimensions,), dtype=float64
            The vector.
        """
        known = {name: values.get(name, self.base[name]) for name in self.space.names}
        unit = self.space.encode(self.space.clip(known))
        rest = [
            phases[i][PHASE_NAMES[column]] if i < len(phases) else 0.25 * column
            for i in range(self.n_notes)
            for column in self.phase_columns
        ]
        return np.concatenate([unit, np.array(rest, dtype=np.float64) % 1.0])

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


class Evaluator:
    """Renders and scores candidates of a problem on all cores.

    Use it in a ``with`` block: it owns threads.

    Parameters
    ----------
    problem : Problem
        What vectors mean.
    targets : sequence of NoteTarget
        The notes to score against.
    notes : sequence of Note
        Their pitch, velocity and gate.
    weights : mapping of str to float, optional
        Weights of the loss terms.
    n_threads : int >= 1, optional
        Number of threads; as many as cores that this process may use if left out.
    seed : int
        Seed of the voice's noise.

    Raises
    ------
    ParameterError
        If `n_threads` is below 1.
    """

    def __init__(
        self,
        problem: Problem,
        targets: Sequence[NoteTarget],
        notes: Sequence[Note],
        *,
        weights: Mapping[str, float] | None = None,
        n_threads: int | None = None,
        seed: int = 0,
    ) -> None:
        if n_threads is not None and n_threads < 1:
            raise ParameterError(
                f"n_threads is {n_threads}; 1 or more is accepted. Leave it out to use all cores.",
                name="n_threads",
                value=n_threads,
            )
        self.problem = problem
        self.targets = tuple(targets)
        self.notes = tuple(notes)
        self.weights = weights
        self.seed = seed
        self._pool = ThreadPoolExecutor(n_threads or _usable_cores())
        self._own = local()

    def __enter__(self) -> Self:
        """Give the evaluator itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End the threads."""
        self._pool.shutdown(wait=True, cancel_futures=True)

    def set_gates(self, gates_s: Sequence[float]) -> None:
        """Let the keys be held for other times from now on.

        Parameters
        ----------
        gates_s : sequence of float >= 0
            One for each note, in seconds.
        """
        self.notes = tuple(
            replace(note, gate_s=gate_s) for note, gate_s in zip(self.notes, gates_s, strict=True)
        )
        # Renderers are made for one gate; each thread makes new ones when it needs them.
        self._own = local()

    def losses_and_scores(self, vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Score candidates and join the scores.

        Parameters
        ----------
        vectors : np.ndarray, shape=(n_candidates, n_dimensions), 0 to 1
            Candidates.

        Returns
        -------
        losses : np.ndarray, shape=(n_candidates,), dtype=float64
            Losses, the mean over the notes.
        scores : np.ndarray, shape=(n_candidates, len(PARTS)), dtype=float64
            Differences in the units of `PARTS`, the mean over the notes.
        """
        scores = self.scores(vectors)
        losses = np.mean([totals(note_scores, self.weights) for note_scores in scores], axis=0)
        return losses, scores.mean(axis=0)

    def losses(self, vectors: FloatArray) -> FloatArray:
        """Return the losses alone; see `losses_and_scores`."""
        return self.losses_and_scores(vectors)[0]

    def scores(self, vectors: FloatArray) -> FloatArray:
        """Measure candidates part by part.

        Parameters
        ----------
        vectors : np.ndarray, shape=(n_candidates, n_dimensions), 0 to 1
            Candidates.

        Returns
        -------
        np.ndarray, shape=(n_notes, n_candidates, len(PARTS)), dtype=float64
            Differences from each note, in the units of `PARTS`.
        """
        values = self.problem.values(vectors)
        result = np.empty((len(self.notes), len(vectors), len(PARTS)))
        jobs = []
        for i_note in range(len(self.notes)):
            phases = self.problem.phases(vectors, i_note)
            for first in range(0, len(vectors), LANES):
                rows = slice(first, min(first + LANES, len(vectors)))
                jobs.append((i_note, rows, values[rows], phases[rows]))
        for (i_note, rows, _, _), scored in zip(
            jobs, self._pool.map(self._score_group, jobs), strict=True
        ):
            result[i_note, rows] = scored
        return result

    def _score_group(self, job: tuple[int, slice, FloatArray, FloatArray]) -> FloatArray:
        """Render and score at most `LANES` candidates of one note."""
        i_note, _, values, phases = job
        if not hasattr(self._own, "tools"):
            self._own.tools = {}
        if i_note not in self._own.tools:
            target = self.targets[i_note]
            renderer = NoteRenderer(
                self.notes[i_note],
                n_samples=target.n_render,
                sample_rate_hz=target.sample_rate_hz,
                seed=self.seed,
            )
            self._own.tools[i_note] = renderer, NoteScorer(target)
        renderer, scorer = self._own.tools[i_note]
        scored: FloatArray = scorer.score(renderer.render(values, phases), len(values))
        return scored


def _usable_cores() -> int:
    """Count the cores that this process may run on."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
