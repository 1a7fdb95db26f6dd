"""Rendering and scoring candidates of a problem on all cores.

A candidate's losses do not depend on the batch it comes in, nor on the number of threads.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import cached_property
from threading import local
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import PARTS, NoteScorer, NoteTarget, residual_weights, totals
from shared import PHASE_NAMES, Float32Array, FloatArray, Note, ParameterError, usable_cores
from voice import NoteRenderer

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from typing import Self

    from matcher.problem import Problem

__all__ = ["Evaluator"]

LANES = 16
PLACE = PHASE_NAMES.index("note.place")
# A batch of many starts, of several notes, is left in between; this is a fraction of a second.
ASKED_EVERY = 16


class Evaluator:
    """Renders and scores candidates of a problem on all cores.

    Use it in a ``with`` block: it owns threads, as many as cores if `n_threads` is left out.
    `seed` is that of the voice's noise. An evaluator of shortened notes counts for the one of the
    `whole` notes.
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
        whole: Evaluator | None = None,
    ) -> None:
        if n_threads is not None and n_threads < 1:
            raise ParameterError(
                f"n_threads is {n_threads}; it must be 1 or more. Leave it out to use all cores.",
                name="n_threads",
            )
        self.problem = problem
        self.targets = tuple(targets)
        self.notes = tuple(notes)
        self.weights = weights
        self.seed = seed
        self.n_threads = n_threads or usable_cores()
        self._pool = ThreadPoolExecutor(self.n_threads)
        self._own = local()
        self._n_gates_set = 0
        self._whole = whole or self
        # Asked before each batch, also of shortened notes; it may raise to end a search at once.
        self.before_batch: Callable[[], object] = lambda: None
        # Candidates that were rendered, by their share of whole ones: length times notes.
        self.n_rendered = 0.0

    def __enter__(self) -> Self:
        """Give the evaluator itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """End the threads."""
        self._pool.shutdown(wait=True, cancel_futures=True)

    def set_gates(self, gates_s: Sequence[float]) -> None:
        """Let the keys be held for other times from now on, in seconds, note by note."""
        self.notes = tuple(
            replace(note, gate_s=gate_s) for note, gate_s in zip(self.notes, gates_s, strict=True)
        )
        # Renderers are made for one gate; each thread makes new ones when it needs them.
        self._n_gates_set += 1

    def compile(self, vector: FloatArray) -> None:
        """Compile what scoring needs, or load it: in this thread, which Ctrl-C can end."""
        values = self.problem.values(vector[None, :])
        phases = self.problem.phases(vector[None, :], 0, values=values)
        residuals = np.empty((1, len(self._weights_of_notes[0])), np.float32)
        self._score_group((0, slice(1), values, phases, residuals))

    def losses_and_scores(self, vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Score candidates: losses (n_candidates,), and their parts, both means over the notes."""
        scores = self.scores(vectors)
        losses = np.mean([totals(note_scores, self.weights) for note_scores in scores], axis=0)
        return losses, scores.mean(axis=0)

    def losses(self, vectors: FloatArray) -> FloatArray:
        """Return the losses alone; see `losses_and_scores`."""
        return self.losses_and_scores(vectors)[0]

    @cached_property
    def residual_weights(self) -> Float32Array:
        """What each difference of `losses_and_residuals` weighs, shape (n_differences,)."""
        return np.concatenate(self._weights_of_notes)

    @cached_property
    def _weights_of_notes(self) -> list[Float32Array]:
        """What each difference weighs, note by note."""
        n_notes = len(self.targets)
        return [residual_weights(target, self.weights, n_notes) for target in self.targets]

    def losses_and_residuals(
        self, vectors: FloatArray
    ) -> tuple[FloatArray, FloatArray, Float32Array]:
        """Score candidates as `losses_and_scores`, and give the single differences behind that.

        Signed differences in steps, note after note, (n_candidates, n_differences); weighed by
        `residual_weights`, their absolute values add up to the loss without its convergence part.
        """
        sizes = [len(weights) for weights in self._weights_of_notes]
        residuals = np.empty((len(vectors), sum(sizes)), np.float32)
        ends = np.cumsum(sizes)
        parts = [residuals[:, end - size : end] for size, end in zip(sizes, ends, strict=True)]
        scores = self._scores(vectors, parts)
        losses = np.mean([totals(note_scores, self.weights) for note_scores in scores], axis=0)
        return losses, scores.mean(axis=0), residuals

    def scores(self, vectors: FloatArray, notes: Sequence[int] | None = None) -> FloatArray:
        """Measure candidates on all or some notes, (n_notes, n_candidates, n_parts).

        In units of `PARTS`.
        """
        return self._scores(vectors, None, notes)

    @cached_property
    def shares(self) -> FloatArray:
        """What rendering each note costs, as a share of a whole candidate."""
        lengths = np.array([target.n_render for target in self.targets], np.float64)
        return lengths / sum(target.n_render for target in self._whole.targets)

    def _scores(
        self,
        vectors: FloatArray,
        residuals: Sequence[Float32Array] | None,
        notes: Sequence[int] | None = None,
    ) -> FloatArray:
        """Score candidates note by note; fill the residuals of each note if there are any."""
        self._whole.before_batch()
        chosen = range(len(self.notes)) if notes is None else notes
        self._whole.n_rendered += len(vectors) * float(self.shares[list(chosen)].sum())
        values = self.problem.values(vectors)
        result = np.empty((len(self.notes), len(vectors), len(PARTS)))
        jobs = []
        # Several notes keep all threads busy anyhow.
        ends = _group_ends(len(vectors), self.n_threads if len(self.notes) == 1 else 1)
        for i_note in chosen:
            phases = self.problem.phases(vectors, i_note, values=values)
            for rows in map(slice, [0, *ends[:-1]], ends):
                wanted = None if residuals is None else residuals[i_note][rows]
                jobs.append((i_note, rows, values[rows], phases[rows], wanted))
        scored = self._pool.map(self._score_group, jobs)
        for number, ((i_note, rows, *_), group) in enumerate(zip(jobs, scored, strict=True), 1):
            result[i_note, rows] = group
            if number % ASKED_EVERY == 0:
                self._whole.before_batch()
        return result[list(chosen)]

    def _score_group(
        self, job: tuple[int, slice, FloatArray, FloatArray, Float32Array | None]
    ) -> FloatArray:
        """Render and score at most `LANES` candidates of one note."""
        i_note, _, values, phases, residuals = job
        renderer, scorer = self._tools(i_note)
        group = renderer.render(values, phases)
        return scorer.score(group, len(values), residuals, phases[:, PLACE])

    def _tools(self, i_note: int) -> tuple[NoteRenderer, NoteScorer]:
        """Return what this thread renders and scores a note with."""
        own, target = self._own, self.targets[i_note]
        if getattr(own, "n_gates_set", None) != self._n_gates_set:
            own.n_gates_set, own.renderers = self._n_gates_set, {}
        if i_note not in own.renderers:
            own.renderers[i_note] = NoteRenderer(
                self.notes[i_note],
                n_samples=target.n_render,
                sample_rate_hz=target.sample_rate_hz,
                seed=self.seed,
            )
        if not hasattr(own, "scorers"):
            own.scorers = {}
        if i_note not in own.scorers:
            own.scorers[i_note] = NoteScorer(target)
        return own.renderers[i_note], own.scorers[i_note]


def _group_ends(n_candidates: int, n_threads: int) -> list[int]:
    """Share candidates out evenly: groups of at most `LANES`, as many for each thread."""
    n_groups = -(-n_candidates // LANES)
    n_groups = min(-(-n_groups // n_threads) * n_threads, n_candidates)
    return [n_candidates * (i + 1) // n_groups for i in range(n_groups)]
