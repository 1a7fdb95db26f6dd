"""Fits of what oscillators do over time, as starts and proposals of a search."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor, wait
from typing import TYPE_CHECKING

import numpy as np

from matcher.partial_fit.across import MOST_LEFT_RATIO, NotesFit, fit_across
from matcher.partial_fit.entries import (
    HALF_CYCLE,
    NAMES,
    Entries,
    KeyRule,
    kind_of_pulses,
    tracking_name,
    turned_pulses,
)
from matcher.partial_fit.fit import MovementFit, NoteModel, fit_movement
from matcher.partial_fit.tracks import PartialTracks, partial_tracks
from shared import CATALOGUE, PHASE_NAMES, PULSE_KIND

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matcher.problem import Problem
    from matcher.target import TargetNote
    from shared import FloatArray

    _Joint = tuple[NotesFit, int]

__all__ = ["Movements"]

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
# A fit takes about a second, which pays if the first stage has so many candidates of one note; of
# each other note it takes a share of that more. Where candidates are counted it takes none of
# them, and is left to searches that have some time.
LEAST_TIMED, OTHER_NOTE_SHARE, LEAST_COUNTED = 400, 0.15, 200
# One candidate of the first stage in `STAGE_SHARE`, and no more than `MOST_SWEPT`, put the fits
# into the rest of the voice.
STAGE_SHARE, MOST_SWEPT = 16, 64
# Fits that a search begins with, each in both orders of the oscillators.
N_FITS = 4
# How often a stop is looked for meanwhile.
_LOOK_S = 0.1


class Movements:
    """Fits of what the oscillators do over time, for one search.

    They follow from target and seed alone, so a search that goes on has the same ones.

    Parameters
    ----------
    problem : Problem
        What is searched.
    notes : sequence of TargetNote
        Its notes; without any there are no fits.
    base : np.ndarray, shape=(n_dimensions,), optional
        What was measured on the notes.
    seed : int >= 0
        Seed of all draws.
    """

    def __init__(
        self,
        problem: Problem,
        notes: Sequence[TargetNote] = (),
        base: FloatArray | None = None,
        *,
        seed: int = 0,
    ) -> None:
        self._problem = problem
        self.notes = tuple(notes)
        self._base = problem.vector({}) if base is None else base
        self._seed = seed
        self._vectors = np.empty((0, problem.n_dimensions))
        self._took_s = 0.0

    def compile(self) -> None:
        """Compile what `prepare` needs, or load what was compiled."""
        if self.notes:
            compile_fit(self._problem, self.notes, self._base)

    def prepare(
        self,
        n_left: int,
        *,
        is_timed: bool,
        is_over: Callable[[], bool] = lambda: False,
        stop: Callable[[], bool] | None = None,
    ) -> None:
        """Make the fits, unless the first stage has too few candidates; fewer if it is over.

        Where somebody wants to stop there are none: whatever is at work ends unheard.
        """
        if self.notes and n_left >= _least_candidates(len(self.notes), is_timed=is_timed):
            began = time.perf_counter()
            pool = ThreadPoolExecutor(1)
            made = pool.submit(
                movement_vectors,
                self._problem,
                self.notes,
                self._base,
                n_best=N_FITS,
                seed=self._seed,
                is_over=is_over,
            )
            while not (wait({made}, _LOOK_S).done or (stop is not None and stop())):
                pass
            pool.shutdown(wait=False)
            if made.done():
                self._vectors = made.result()
            self._took_s = time.perf_counter() - began

    def deadline_s(self, seconds: float, share: float) -> float:
        """Say when a share of a search is over, of the time that the fits have left.

        Otherwise they would take the first stage's time, which is there to try them.
        """
        took_s = min(self._took_s, seconds)
        return took_s * (1.0 - share) + seconds * share

    def n_swept(self, n_left: int) -> int:
        """Say in how many points of a sweep the fits are tried, of so many candidates."""
        return max(1, min(MOST_SWEPT, n_left // STAGE_SHARE)) if len(self._vectors) else 0

    def starts(self, swept: FloatArray) -> FloatArray:
        """Make starts of the first stage; see `movement_starts`."""
        return movement_starts(self._problem, self._vectors, swept)

    def proposals(self) -> FloatArray:
        """Make proposals of the fits; see `movement_proposals`."""
        return movement_proposals(self._problem, self._vectors)


def _least_candidates(n_notes: int, *, is_timed: bool) -> float:
    """Say how many candidates make fits worth their time; each one plays all notes."""
    if not is_timed:
        return LEAST_COUNTED
    return LEAST_TIMED * (1.0 + OTHER_NOTE_SHARE * (n_notes - 1)) / n_notes


def movement_vectors(
    problem: Problem,
    notes: Sequence[TargetNote],
    base: FloatArray,
    *,
    n_best: int,
    seed: int,
    is_over: Callable[[], bool] = lambda: False,
) -> FloatArray:
    """Fit levels, detune, bends, pulse-width modulations and vibratos of both oscillators.

    Filter, body and amplifier don't matter, as each partial's gain is free; so it is known what
    the oscillators do before anything else is found. The note that is held longest is fitted; of
    several, the two that are. Up to `n_best` fits come in both orders of the oscillators, the
    closest first; none if two oscillators can't do what is heard.
    """
    if not _has_movement(problem):
        return np.empty((0, problem.n_dimensions))
    entries = [Entries.of(problem, base, note.note.midi_pitch) for note in notes]
    held = np.argsort([-note.note.gate_s for note in notes], kind="stable")[:MOST_FITTED]
    tracks = {is_bent: [partial_tracks(x, is_bent=is_bent) for x in notes] for is_bent in WINDOWS}

    def fit(asked: tuple[int, bool]) -> list[MovementFit]:
        i_held, is_bent = asked
        if is_over():
            return []
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
    kind = kind_of_pulses(fit.vectors[i_held])
    plain = turned_pulses(fit.vectors, *kind)
    orders = zip(
        *(own.both_orders(own.rested(x)) for own, x in zip(entries, plain, strict=True)),
        strict=True,
    )
    vectors = []
    for of_notes in orders:
        rule = KeyRule.of(np.stack(of_notes), entries, np.ones(len(entries), bool), i_held)
        phases = [dict(p) for p in problem.note_phases(base)]
        for i in np.flatnonzero(fit.has_phases).tolist():
            settings = entries[i].settings(of_notes[i])
            phases[i] |= {name: settings[name] for name in PHASE_NAMES if name in settings}
        phases[0] |= {
            name: HALF_CYCLE * bool(flag) for name, flag in zip(PULSE_KIND, kind, strict=True)
        }
        vectors.append(problem.vector(values | rule.settings(), phases))
    return vectors


def compile_fit(problem: Problem, notes: Sequence[TargetNote], base: FloatArray) -> None:
    """Compile what a fit needs, or load what was compiled; takes milliseconds after that."""
    if not _has_movement(problem):
        return
    entries = Entries.of(problem, base, notes[0].note.midi_pitch)
    tracks = PartialTracks(440.0, 0.009, 0, np.ones((8, 3), complex))
    model = NoteModel(tracks, entries.limits, n_partials=3, every=1, n_courses=1)
    model.descend(entries.base[None, :], entries.is_mobile[None, :], 1)


def _has_movement(problem: Problem) -> bool:
    """Whether a problem has enough that could move against something else."""
    searched = [
        n
        for n in NAMES
        if n in problem.space and n not in _LEVELS_AND_TUNING and "pitch_env" not in n
    ]
    return len(searched) >= FEWEST_NAMES


def movement_proposals(problem: Problem, vectors: FloatArray) -> FloatArray:
    """Make proposals of fits, to be tried from wherever a search has come to.

    NaN where a fit tells nothing: also where it found no bend, as front edges lie before its first
    frame.
    """
    proposals = vectors.copy()
    for osc in ("osc1", "osc2"):
        bend = [f"{osc}.pitch_env.{name}" for name in ("depth_cents", "decay_s")]
        if bend[0] in problem.space:
            depth = problem.space.index(bend[0])
            is_steady = vectors[:, depth] == problem.space[bend[0]].encode(0.0)
            for name in bend:
                if name in problem.space:
                    proposals[is_steady, problem.space.index(name)] = np.nan
    told = {*NAMES, *_AT_REST, *map(tracking_name, NAMES)}
    for i, name in enumerate(problem.space.names):
        if name not in told:
            proposals[:, i] = np.nan
    untold = [PHASE_NAMES[column] for column in problem.phase_columns]
    proposals[:, problem.phase_entries(*(name for name in untold if name not in told))] = np.nan
    return proposals


def movement_starts(problem: Problem, vectors: FloatArray, swept: FloatArray) -> FloatArray:
    """Give the fits as they are, then in points that are spread over the rest of the voice."""
    if not len(vectors):
        return vectors
    proposals = movement_proposals(problem, vectors)[np.arange(len(swept)) % len(vectors)]
    return np.concatenate([vectors, np.where(np.isnan(proposals), swept, proposals)])
