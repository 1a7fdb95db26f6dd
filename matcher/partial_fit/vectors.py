"""Fits of what oscillators do over time, as candidates of a search."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np

from matcher.partial_fit.across import MOST_LEFT_RATIO, NotesFit, fit_across
from matcher.partial_fit.entries import NAMES, Entries, tracking_name
from matcher.partial_fit.fit import MovementFit, fit_movement
from matcher.partial_fit.key_rule import KeyRule
from matcher.partial_fit.tracks import PartialTracks, partial_tracks
from matcher.partial_fit.walks import Ground
from matcher.search.starts import sweep_vectors
from shared import CATALOGUE, PHASE_NAMES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.problem import Problem
    from matcher.target import TargetNote
    from shared import FloatArray

    _Joint = tuple[NotesFit, int]

__all__ = ["compile_fit", "movement_jumps", "movement_starts", "movement_vectors"]

# With fewer of these in a problem there is nothing that could move against anything.
FEWEST_NAMES = 2
# With less than this left of the partials' power, nothing that isn't fitted has shaped the attack.
STRAIGHT_LEFT_RATIO = 0.05
# Notes that are fitted, of several, and the windows of each: whether its attack is left out.
MOST_FITTED, WINDOWS = 2, (False, True)
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
    """Fit levels, detune, bends, pulse-width modulations and vibratos of both oscillators.

    Filter, body and amplifier don't matter, as each partial's gain is free; so it is known what
    the oscillators do before anything else is found.

    Parameters
    ----------
    problem : Problem
        What is searched.
    notes : sequence of TargetNote
        Its notes. The one that is held longest is fitted; of several, the two that are. The others
        then tell their own phases, and how rates and depths follow the key.
    base : np.ndarray, shape=(n_dimensions,)
        What stands where the fits tell nothing: other parameters, phases of very short notes.
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
    entries = [Entries.of(problem, base, note.note.midi_pitch) for note in notes]
    held = np.argsort([-note.note.gate_s for note in notes], kind="stable")[:MOST_FITTED]
    tracks = {is_bent: [partial_tracks(x, is_bent=is_bent) for x in notes] for is_bent in WINDOWS}

    def fit(asked: tuple[int, bool]) -> list[MovementFit]:
        i_held, is_bent = asked
        return fit_movement(tracks[is_bent][i_held], entries[i_held], seed=seed, n_best=n_best)

    # Two at once: one fit keeps one core busy.
    kinds = [(int(i), is_bent) for i in held for is_bent in WINDOWS]
    with ThreadPoolExecutor(2) as pool:
        fits = [
            [x for x in found if x.left_ratio < MOST_LEFT_RATIO] for found in pool.map(fit, kinds)
        ]
    if len(notes) == 1:
        joint = [
            (x, 0)
            for x in fit_across(
                tracks[False], entries, _chosen(fits[0], fits[1], n_best), 0, seed=seed
            )
        ]
    else:
        across = [
            [(x, i_held) for x in fit_across(tracks[is_bent], entries, found, i_held, seed=seed)]
            for (i_held, is_bent), found in zip(kinds, fits, strict=True)
        ]
        joint = _best_of_each(across[::2], across[1::2], n_best)
    rows = [row for fit, i in joint for row in _as_vectors(problem, base, entries, fit, i)]
    return np.stack([base, *rows])[1:]


def _chosen(
    straight: list[MovementFit], behind: list[MovementFit], n_best: int
) -> list[MovementFit]:
    """Choose fits of one note: from its attack on where they tell everything, else half of each.

    What is left may come from an attack that is bent, or from what the model lacks.
    """
    if not behind or (straight and straight[0].left_ratio < STRAIGHT_LEFT_RATIO):
        return straight
    return [*behind[: n_best - n_best // 2], *straight[: n_best // 2]]


def _best_of_each(
    straight: Sequence[list[_Joint]], behind: Sequence[list[_Joint]], n_best: int
) -> list[_Joint]:
    """Choose fits of several notes, half of each kind, whichever note they come from.

    One note may be too low, or too short, to tell what the others do.
    """
    halves = []
    for kind, n in ((behind, n_best - n_best // 2), (straight, n_best // 2)):
        fits = sorted((x for found in kind for x in found), key=lambda x: x[0].left_ratio)
        halves += fits[:n]
    return sorted(halves, key=lambda x: x[0].left_ratio)


def _as_vectors(
    problem: Problem, base: FloatArray, entries: Sequence[Entries], fit: NotesFit, i_held: int
) -> list[FloatArray]:
    """Write a fit of all notes into vectors of the problem, in both orders of the oscillators."""
    row = problem.values(base[None, :])[0]
    values = dict(zip(CATALOGUE.names, row.tolist(), strict=True)) | dict.fromkeys(_AT_REST, 0.0)
    orders = zip(
        *(own.both_orders(own.rested(x)) for own, x in zip(entries, fit.vectors, strict=True)),
        strict=True,
    )
    vectors = []
    for of_notes in orders:
        rule = KeyRule.of(np.stack(of_notes), entries, np.ones(len(entries), bool), i_held)
        phases = [dict(p) for p in problem.note_phases(base)]
        for i in np.flatnonzero(fit.is_met).tolist():
            settings = entries[i].settings(of_notes[i])
            phases[i] |= {name: settings[name] for name in PHASE_NAMES if name in settings}
        vectors.append(problem.vector(values | rule.settings(), phases))
    return vectors


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
    searched = [
        n
        for n in NAMES
        if n in problem.space and n not in _LEVELS_AND_TUNING and "pitch_env" not in n
    ]
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
        The same, with NaN where a fit tells nothing: also where it found no bend, as front edges
        lie before its first frame.
    """
    jumps = vectors.copy()
    for osc in ("osc1", "osc2"):
        bend = [f"{osc}.pitch_env.{name}" for name in ("depth_cents", "decay_s")]
        if bend[0] in problem.space:
            depth = problem.space.index(bend[0])
            is_steady = vectors[:, depth] == problem.space[bend[0]].encode(0.0)
            for name in bend:
                if name in problem.space:
                    jumps[is_steady, problem.space.index(name)] = np.nan
    told = {*NAMES, *_AT_REST, *map(tracking_name, NAMES)}
    for i, name in enumerate(problem.space.names):
        if name not in told:
            jumps[:, i] = np.nan
    n_phases = len(problem.phase_columns)
    for i, column in enumerate(problem.phase_columns):
        if PHASE_NAMES[column] not in told:
            jumps[:, len(problem.space) + i :: n_phases] = np.nan
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
