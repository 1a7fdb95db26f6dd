"""Fitting the rest again after something was moved: along straight lines, then by search.

A few controls of a good patch change its sound almost linearly, so the directions in which the
others make up for a change are found by least squares on what each control does to the sound:
damped Gauss-Newton steps, with weights that turn squares into the absolute values of the loss
[1]_. Every step is judged by the loss itself. Where lines lead nowhere, the sampler goes on.

References
----------
.. [1] I. Daubechies, R. DeVore, M. Fornasier and C. S. Güntürk, "Iteratively reweighted least
   squares minimization for sparse recovery", Comm. Pure and Applied Mathematics 63, 2010.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import PARTS
from matcher.losses.note_target import MOVEMENT_WINDOW
from matcher.losses.windows import WindowBuffers
from matcher.optimise import make_sampler, search
from voice import NoteRenderer

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matcher.explaining.prepared_run import PreparedRun
    from matcher.losses import NoteTarget
    from shared import Float32Array, FloatArray
    from shared.types import IntArray

__all__ = []

# Step for the slopes, as a share of each range: below what is heard, above rounding of float32.
_STEP = 0.004
# Damping and length of 8 candidates, which are rendered side by side.
_DAMPINGS = (1e-4, 1e-2, 0.2, 3.0)
_LENGTHS = (1.0, 0.35)
# Residuals below this share of their mean count alike; an absolute value has no slope at 0.
_SOFTNESS = 0.5
_EVENNESS = 0.02
_POPULATION = 32


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted candidate.

    Parameters
    ----------
    vector : np.ndarray, shape=(n_dimensions,)
        The candidate.
    loss : float
        Its loss.
    scores : np.ndarray, shape=(n_notes, n_parts)
        Its scores.
    """

    vector: FloatArray
    loss: float
    scores: FloatArray


class Fitter:
    """Fits some controls of a candidate, the others held.

    Parameters
    ----------
    prepared : PreparedRun
        The patch with its target.
    """

    def __init__(self, prepared: PreparedRun) -> None:
        self._prepared = prepared
        self._reader = FeatureReader(prepared)
        self.n_evaluations = 0

    def score(self, vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Score candidates: losses (n,) and scores (n_notes, n, n_parts)."""
        scores = self._prepared.evaluator.scores(vectors)
        self.n_evaluations += len(vectors)
        return self._prepared.losses_of(scores), scores

    def best(self, vectors: FloatArray) -> Fit:
        """Choose the best of some candidates."""
        losses, scores = self.score(vectors)
        place = int(np.argmin(losses))
        return Fit(vectors[place], float(losses[place]), scores[:, place])

    def hold(self, vectors: FloatArray) -> None:
        """Keep parameters within their ranges; phases go round."""
        n_space = len(self._prepared.problem.space)
        np.clip(vectors[:, :n_space], 0.0, 1.0, out=vectors[:, :n_space])
        np.mod(vectors[:, n_space:], 1.0, out=vectors[:, n_space:])

    def slopes(self, vector: FloatArray, columns: IntArray) -> Float32Array:
        """Measure what each control does to the sound, shape (n_columns, n_features).

        Central differences; at the end of a range, to one side.
        """
        rows = np.arange(len(columns))
        moved = np.tile(vector, (2 * len(columns), 1))
        # Of a stepped control, to the neighbouring positions.
        cells = self._prepared.problem.cells[columns]
        steps = np.where(cells > 0, 1.0 / np.maximum(cells, 1), _STEP)
        moved[rows, columns] += steps
        moved[len(columns) + rows, columns] -= steps
        n_space = len(self._prepared.problem.space)
        np.clip(moved[:, :n_space], 0.0, 1.0, out=moved[:, :n_space])
        width = moved[rows, columns] - moved[len(columns) + rows, columns]
        self.n_evaluations += len(moved)
        features = self._reader.read(moved)
        differences = features[: len(columns)] - features[len(columns) :]
        steep: Float32Array = (differences / width[:, None]).astype(np.float32)
        return steep

    def probe(self, start: Fit, columns: IntArray, moves: Sequence[float]) -> Fit:
        """Move one control at a time by shares of its range; `start` stays if nothing helps."""
        controls = columns[columns < len(self._prepared.problem.space)]
        if not len(controls):
            return start
        trials = np.repeat(start.vector[None, :], len(controls) * len(moves), axis=0)
        rows = np.arange(len(trials))
        trials[rows, np.repeat(controls, len(moves))] += np.tile(moves, len(controls))
        self.hold(trials)
        found = self.best(trials)
        return found if found.loss < start.loss else start

    def straight(
        self, start: Fit, columns: IntArray, slopes: Float32Array, *, n_rounds: int
    ) -> Fit:
        """Fit along straight lines, from known slopes, until nothing gets better."""
        best = start
        for _ in range(n_rounds if len(columns) else 0):
            found = self.best(self._steps(best.vector, columns, slopes))
            if not found.loss < best.loss:
                break
            best = found
        return best

    def search(
        self,
        start: Fit,
        columns: IntArray,
        *,
        n_evaluations: int,
        sigma: float,
        seed: int,
        stop: Callable[[], bool],
    ) -> Fit:
        """Fit by the sampler that matches use; `start` stays if nothing better is found."""
        problem = self._prepared.problem
        if not len(columns) or n_evaluations < 1:
            return start
        sampler = make_sampler(
            "cmaes",
            len(columns),
            seed=seed,
            starts=start.vector[None, columns],
            sigma=sigma,
            population=_POPULATION,
            circular=problem.circular[columns],
            cells=problem.cells[columns],
        )
        kept = [start]

        def objective(candidates: FloatArray) -> FloatArray:
            vectors = np.tile(start.vector, (len(candidates), 1))
            vectors[:, columns] = candidates
            losses, scores = self.score(vectors)
            place = int(np.argmin(losses))
            if losses[place] < kept[0].loss:
                kept[0] = Fit(vectors[place], float(losses[place]), scores[:, place])
            return losses

        search(objective, sampler, n_evaluations=n_evaluations, on_batch=lambda _: stop())
        return kept[0]

    def _steps(self, vector: FloatArray, columns: IntArray, slopes: Float32Array) -> FloatArray:
        """Propose steps of several dampings and lengths, shape (8, n_dimensions)."""
        self.n_evaluations += 1
        residual = self._reader.read(vector[None, :])[0] - self._reader.wanted
        size = np.abs(residual)
        weights = 1.0 / np.maximum(size, _SOFTNESS * float(size.mean()) + 1e-12)
        weighted = slopes * weights.astype(np.float32)
        square = (weighted @ slopes.T).astype(np.float64)
        pull = (weighted @ residual).astype(np.float64)
        # With a share of the mean, what does nothing doesn't run away.
        diagonal = np.diag(square) + _EVENNESS * float(np.mean(np.diag(square))) + 1e-30
        rows = []
        for damping in _DAMPINGS:
            step = np.linalg.solve(square + damping * np.diag(diagonal), -pull)
            for length in _LENGTHS:
                row = vector.copy()
                row[columns] += length * step
                rows.append(row)
        trials = np.array(rows)
        self.hold(trials)
        return trials


_LANES = 16
# Every other window size tells directions as well as all six do, in half the time.
_WINDOWS = (0, MOVEMENT_WINDOW, 4)
_SCALE = {part.name: part.scale for part in PARTS}
_ENVELOPE_STEP_S = 0.005
_FLOOR = 1e-12


class FeatureReader:
    """Reads the features of candidates, all notes one after the other.

    Parameters
    ----------
    prepared : PreparedRun
        The patch with its target.
    """

    def __init__(self, prepared: PreparedRun) -> None:
        self._prepared = prepared
        self._notes = [_NoteFeatures(target) for target in prepared.targets]
        self._renderers = [
            NoteRenderer(
                note,
                n_samples=target.n_render,
                sample_rate_hz=target.sample_rate_hz,
                seed=prepared.evaluator.seed,
            )
            for note, target in zip(prepared.evaluator.notes, prepared.targets, strict=True)
        ]
        self.wanted = np.concatenate(
            [
                reader.read(note.signal)
                for reader, note in zip(self._notes, prepared.target.notes, strict=True)
            ]
        )

    def read(self, vectors: FloatArray) -> Float32Array:
        """Read the features of candidates, shape (n_candidates, n_features)."""
        return np.concatenate([self._read_note(i, vectors) for i in range(len(self._notes))], 1)

    def _read_note(self, i_note: int, vectors: FloatArray) -> Float32Array:
        """Render one note of all candidates and read it."""
        problem, target = self._prepared.problem, self._prepared.targets[i_note]
        values, phases = problem.values(vectors), problem.phases(vectors, i_note)
        rows = []
        for first in range(0, len(vectors), _LANES):
            part = slice(first, first + _LANES)
            group = self._renderers[i_note].render(values[part], phases[part])
            for lane in range(len(values[part])):
                sound = target.place(np.ascontiguousarray(group[:, lane]))
                rows.append(self._notes[i_note].read(sound))
        return np.array(rows)


class _NoteFeatures:
    """Reads the features of placed sounds of one note, in buffers of its own."""

    def __init__(self, target: NoteTarget) -> None:
        self._target = target
        self._windows: list[tuple[WindowBuffers, float]] = [
            (WindowBuffers(target.windows[i]), _SCALE["spectrum_db"] * len(_WINDOWS))
            for i in _WINDOWS
        ]
        self._windows.append((WindowBuffers(target.onset), _SCALE["onset_spectrum_db"]))
        self._movement = target.make_movement()
        self._n_step = max(1, round(_ENVELOPE_STEP_S * target.sample_rate_hz))
        self._placed = np.zeros(target.n_placed + target.n_behind, np.float32)

    def read(self, sound: FloatArray) -> Float32Array:
        """Read a sound on the target's timeline and at its level, shape (n_features,)."""
        place_on_lead(self._target, sound, self._placed)
        rows = []
        for buffers, scale in self._windows:
            levels, _ = buffers.analyse(self._placed, 1.0)
            rows.append(levels.ravel() / (scale * levels.size))
        levels_db = self._levels_db()
        rows.append(levels_db / (_SCALE["envelope_db"] * levels_db.size))
        levels = self._windows[_WINDOWS.index(MOVEMENT_WINDOW)][0].levels
        cents = self._movement.measure(levels, self._placed).slow_cents
        rows.append(cents / (_SCALE["slow_pitch_cents"] * cents.size))
        return np.concatenate(rows).astype(np.float32)

    def _levels_db(self) -> FloatArray:
        """Level over time in dB, at most 60 dB under its peak."""
        held = self._placed[self._target.lead :].astype(np.float64)
        n_steps = len(held) // self._n_step
        power = np.mean(held[: n_steps * self._n_step].reshape(n_steps, -1) ** 2, axis=1)
        floor = 1e-6 * float(power.max(initial=_FLOOR))
        levels: FloatArray = 10.0 * np.log10(power + floor)
        return levels


def place_on_lead(target: NoteTarget, sound: FloatArray, placed: Float32Array) -> None:
    """Put a sound on the target's timeline where the windows of the loss expect it."""
    first = max(target.source_onset - target.lead, 0)
    piece = sound[first:]
    at = target.lead - (target.source_onset - first)
    placed[:] = 0.0
    placed[at : at + len(piece)] = piece
