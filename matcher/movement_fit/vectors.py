"""Fits of what oscillators do over time, as candidates of a search."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.movement_fit.entries import NAMES, Entries
from matcher.movement_fit.fit import fit_movement
from matcher.movement_fit.tracks import PartialTracks, partial_tracks
from matcher.movement_fit.walks import Ground
from matcher.starts import sweep_vectors
from shared import CATALOGUE, PHASE_NAMES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.problem import Problem
    from matcher.target import TargetNote
    from shared import FloatArray

__all__ = ["compile_fit", "movement_jumps", "movement_starts", "movement_vectors"]

# With fewer of these in a problem there is nothing that could move against anything.
FEWEST_NAMES = 2
# What leaves more of the partials' power than this tells nothing: ensembles leave half and more,
# single recorded strings and reeds a twentieth.
MOST_LEFT_RATIO = 0.2
# The model has both oscillators in the octave of the note, and no third waveform.
_AT_REST = ("osc1.octave", "osc2.octave", "osc1.triangle_level", "osc2.triangle_level")
_LEVELS_AND_TUNING = tuple(
    name for name in NAMES if name.endswith(("_level", "tune_cents", "osc2.phase"))
)


def movement_vectors(
    problem: Problem,
    notes: Sequence[TargetNote],
    base: FloatArray,
    *,
    n_best: int,
    seed: int,
) -> FloatArray:
    """Fit levels, detune, pulse-width modulations and vibratos of both oscillators to a note.

    Filter, body and amplifier don't matter, as each partial's gain is free; so it is known what
    the oscillators do before anything else is found.

    Parameters
    ----------
    problem : Problem
        What is searched.
    notes : sequence of TargetNote
        Its notes; the one that is held longest is fitted.
    base : np.ndarray, shape=(n_dimensions,)
        What stands where the fit tells nothing: other parameters, phases of other notes.
    n_best : int >= 1
        How many different fits are wanted.
    seed : int >= 0
        Seed of all draws; the result is the same for the same seed.

    Returns
    -------
    np.ndarray, shape=(n_rows, n_dimensions), dtype=float64
        Up to `n_best` fits in both orders of the oscillators, the closest first; none if the
        problem moves too little, the notes are too short, or two oscillators can't do what is
        heard.
    """
    if not _has_movement(problem):
        return np.empty((0, problem.n_dimensions))
    i_note = int(np.argmax([note.note.gate_s for note in notes]))
    note = notes[i_note]
    entries = Entries.of(problem, base, note.note.midi_pitch)
    fits = fit_movement(partial_tracks(note), entries, seed=seed, n_best=n_best)
    fits = [fit for fit in fits if fit.left_ratio < MOST_LEFT_RATIO]
    row = problem.values(base[None, :])[0]
    values = dict(zip(CATALOGUE.names, row.tolist(), strict=True)) | dict.fromkeys(_AT_REST, 0.0)
    vectors = [base]
    for vector in (x for fit in fits for x in entries.both_orders(entries.rested(fit.vector))):
        settings = entries.settings(vector)
        phases = [dict(p) for p in problem.note_phases(base)]
        phases[i_note] = {name: settings.get(name, 0.0) for name in PHASE_NAMES}
        vectors.append(problem.vector(values | settings, phases))
    return np.stack(vectors)[1:]


def compile_fit(problem: Problem, notes: Sequence[TargetNote], base: FloatArray) -> None:
    """Compile what a fit needs, or load what was compiled; takes milliseconds after that.

    Parameters
    ----------
    problem, notes, base
        As for `movement_vectors`.
    """
    if not _has_movement(problem):
        return
    entries = Entries.of(problem, base, notes[0].note.midi_pitch)
    tracks = PartialTracks(440.0, 0.009, 0, np.ones((8, 3), complex))
    ground = Ground(tracks, entries.limits, n_partials=3, every=1, n_courses=1)
    ground.walk(entries.base[None, :], entries.is_mobile[None, :], 1)


def _has_movement(problem: Problem) -> bool:
    """Whether a problem has enough that could move against something else."""
    searched = [n for n in NAMES if n in problem.space and n not in _LEVELS_AND_TUNING]
    return len(searched) >= FEWEST_NAMES


def movement_jumps(problem: Problem, vectors: FloatArray) -> FloatArray:
    """Make jumps of fits, to be taken from wherever a search has come to.

    Parameters
    ----------
    problem : Problem
        What is searched.
    vectors : np.ndarray, shape=(n_rows, n_dimensions)
        From `movement_vectors`.

    Returns
    -------
    np.ndarray, shape=(n_rows, n_dimensions), dtype=float64
        The same, with NaN where a fit tells nothing.
    """
    jumps = vectors.copy()
    for i, name in enumerate(problem.space.names):
        if name not in NAMES and name not in _AT_REST:
            jumps[:, i] = np.nan
    return jumps


def movement_starts(
    problem: Problem, vectors: FloatArray, base: FloatArray, *, n_swept: int, seed: int
) -> FloatArray:
    """Put fits into places spread over the rest of the voice, which a fit doesn't tell.

    Parameters
    ----------
    problem : Problem
        What is searched.
    vectors : np.ndarray, shape=(n_rows, n_dimensions)
        From `movement_vectors`.
    base : np.ndarray, shape=(n_dimensions,)
        What stands where neither fit nor sweep changes anything.
    n_swept : int >= 1
        How many places, all together.
    seed : int >= 0
        Seed of the sweep.

    Returns
    -------
    np.ndarray, shape=(n_rows + n_swept, n_dimensions), dtype=float64
        The fits as they are, then by turns in these places; no rows without fits.
    """
    if not len(vectors):
        return vectors
    swept = sweep_vectors(problem, base, n_swept, seed=seed)
    jumps = movement_jumps(problem, vectors)[np.arange(n_swept) % len(vectors)]
    return np.concatenate([vectors, np.where(np.isnan(jumps), swept, jumps)])
