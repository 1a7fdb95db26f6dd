"""What the oscillators do in several notes, from fits of one of them.

An instrument keeps levels, widths and detune; phases are each note's own, and rates and depths may
follow the key. So each other note has only these to be found, by few vectors and draws around what
the fitted note does. A straight line over the keys then says what the rates and depths are, and
all notes find their phases once more with those.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.partial_fit.entries import (
    DEPTHS,
    LEAST_PWM_RATIO,
    LEAST_VIBRATO_CENTS,
    PHASES,
    RATES,
    KeyRule,
    draw_around,
)
from matcher.partial_fit.fit import NoteModel, Pool, is_long_enough, redraw_parts
from matcher.partial_fit.model import (
    DEPTH,
    LEVELS,
    MOVES,
    N_MOVES,
    PHASE,
    PWM_DEPTH,
    PWM_PHASE,
    PWM_RATE,
    RATE,
    TUNE,
    VIBRATO_PHASE,
    N,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from matcher.partial_fit.entries import Entries
    from matcher.partial_fit.fit import MovementFit
    from matcher.partial_fit.tracks import PartialTracks
    from shared import FloatArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = ["MOST_LEFT_RATIO", "NotesFit", "fit_across"]

# What leaves more of the partials' power than this tells nothing: ensembles leave half and more,
# single recorded strings and reeds a twentieth.
MOST_LEFT_RATIO = 0.2
# Vectors of each fit and other note, and what becomes of them: 0.03 to 0.05 s. With half as many
# vectors or rounds, one note in some tens ended wrong (four notes, two modulations, a vibrato).
N_ROWS, N_FIRST, FIRST_STEPS = 4, 200, 8
N_ROUNDS, N_DRAWS, ROUND_STEPS = 12, 50, 6
COARSE = {"n_partials": 3, "every": 3, "n_courses": 1}
CLOSER = {"n_partials": 6, "every": 2, "n_courses": 2}
CLOSER_STEPS, PHASE_STEPS = 12, 8

_OSCILLATORS = (MOVES, MOVES + N_MOVES)


@dataclass(frozen=True, eq=False)
class NotesFit:
    """One way in which two oscillators can make the partials of all notes.

    `vectors` (n_notes, N) are entries of each note at its key, rates and depths as one rule has
    them; `has_phases` says which notes were long enough to tell their phases; `left_ratio` is the
    share of the partials' power that it leaves, mean over partials and those notes.
    """

    vectors: FloatArray
    has_phases: BoolArray
    left_ratio: float


def fit_across(
    tracks: Sequence[PartialTracks],
    entries: Sequence[Entries],
    fits: Sequence[MovementFit],
    i_held: int,
    *,
    seed: int,
) -> list[NotesFit]:
    """Find the phases of all notes, and how rates and depths follow the key.

    From fits of the note `i_held`; the one that leaves least of all notes comes first.
    """
    if not fits:
        return []
    if len(tracks) == 1:
        return [NotesFit(fit.vector[None, :], np.ones(1, bool), fit.left_ratio) for fit in fits]
    points = np.tile(np.stack([fit.vector for fit in fits]), (len(tracks), 1, 1))
    left = np.zeros((len(tracks), len(fits)))
    has_phases = np.array([is_long_enough(note) for note in tracks])
    for i in np.flatnonzero(has_phases).tolist():
        if i != i_held:
            rng = np.random.Generator(np.random.PCG64([seed, i]))
            points[i], left[i] = _fit_note(
                tracks[i], entries[i], entries[i_held], points[i_held], rng
            )
    counts = has_phases[:, None] & (left < MOST_LEFT_RATIO)
    for j in range(len(fits)):
        rule = KeyRule.of(points[:, j], entries, counts[:, j], i_held)
        points[:, j] = [
            _as_rule(note, rule.at(own.key_octaves))
            for note, own in zip(points[:, j], entries, strict=True)
        ]
    for i in np.flatnonzero(has_phases).tolist():
        points[i], left[i] = _turned(tracks[i], entries[i], points[i])
    ratios = left[has_phases].mean(axis=0)
    order = np.argsort(ratios, kind="stable")
    return [NotesFit(points[:, j], has_phases, float(ratios[j])) for j in order]


def _as_rule(vector: FloatArray, ruled: FloatArray) -> FloatArray:
    """Keep the phases of a note, and take everything else from a rule at its key."""
    joined = ruled.copy()
    joined[list(PHASES)] = vector[list(PHASES)]
    return joined


def _fit_note(
    tracks: PartialTracks,
    own: Entries,
    held: Entries,
    known: FloatArray,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """Find what belongs to one note, for each fit (n_fits, N) of the held one.

    Gives vectors (n_fits, N) at the key of the note, and shares that they leave (n_fits,).
    """
    is_other_key = own.key_octaves != held.key_octaves
    carried = held.at_c4(known) * own.factors + own.shifts
    is_free = np.array([_own_entries(own, x, is_other_key=is_other_key) for x in known])
    rows, free = np.repeat(carried, N_ROWS, axis=0), np.repeat(is_free, N_ROWS, axis=0)
    tracking_octaves = (own.tracking[1:] - own.tracking[0]) * (own.key_octaves - held.key_octaves)
    model = NoteModel(tracks, own.limits, **COARSE)

    def draw(n_draws: int) -> FloatArray:
        return draw_around(rng, rows, free, tracking_octaves, n_draws)

    first = own.limits.held(draw(N_FIRST).reshape(-1, N))
    costs = model.costs(first).reshape(len(rows), N_FIRST)
    begun = first.reshape(len(rows), N_FIRST, N)[np.arange(len(rows)), np.argmin(costs, axis=1)]
    pool = Pool(begun, free, costs.min(axis=1)).fitted(model, FIRST_STEPS)
    pool = redraw_parts(
        model, rng, pool, lambda: draw(N_DRAWS), n_rounds=N_ROUNDS, n_steps=ROUND_STEPS
    )
    closer = NoteModel(tracks, own.limits, **CLOSER)
    ended = pool.fitted(closer, CLOSER_STEPS)
    shares = ended.costs.reshape(-1, N_ROWS) / closer.n_partials
    best = np.arange(len(known)) * N_ROWS + np.argmin(shares, axis=1)
    return ended.points[best], shares.min(axis=1)


def _turned(
    tracks: PartialTracks, own: Entries, points: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Fit the phases of a note, everything else held; with the shares that are left."""
    model = NoteModel(tracks, own.limits, **CLOSER)
    is_free = np.array([_own_entries(own, x, is_other_key=False) for x in points])
    turned, costs = model.descend(points, is_free, PHASE_STEPS)
    return turned, costs / model.n_partials


def _own_entries(own: Entries, vector: FloatArray, *, is_other_key: bool) -> BoolArray:
    """Say what one note may have for itself, shape (N,).

    Phases of what is heard, its tuning, and rates and depths that may follow the key, if it is
    another key.
    """
    is_own = np.zeros(N, bool)
    is_own[TUNE] = True  # no recorded instrument is in tune with itself
    is_own[PHASE] = bool(np.any(vector[LEVELS + 2 : MOVES] != 0.0))
    for at in _OSCILLATORS:
        is_own[[at + PWM_PHASE, at + PWM_RATE]] = vector[at + PWM_DEPTH] >= LEAST_PWM_RATIO
        is_own[[at + VIBRATO_PHASE, at + RATE, at + DEPTH]] = (
            vector[at + DEPTH] >= LEAST_VIBRATO_CENTS
        )
    for i in (*RATES, *DEPTHS):
        is_own[i] &= bool(own.is_tracked[i]) and is_other_key
    return is_own & own.is_mobile
