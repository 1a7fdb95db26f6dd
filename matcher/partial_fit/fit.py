"""What two oscillators do over time, fitted to the partials of one note.

Valleys are narrow in some twenty dimensions, but one part at a time leads down: several lines of
vectors each draw one part of theirs anew (a vibrato, a pulse with its modulation, the detune),
many times, walk down from the best draw, and keep what leaves less of the partials. They do so on
few partials, where valleys are wide; the best go on with more, and lose what changes nothing.
The number of draws is fixed, so a seed gives the same on every machine.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.partial_fit._paths import (
    BEND,
    BEND_DECAY,
    DELAY,
    DEPTH,
    LEVELS,
    MOVES,
    N_MOVES,
    PHASE,
    PWM_DEPTH,
    PWM_PHASE,
    PWM_RATE,
    RATE,
    RATE_ENV,
    WIDTH,
    N,
)
from matcher.partial_fit.draws import draw_vectors
from matcher.partial_fit.lines import Lines, redraw_parts
from matcher.partial_fit.walks import Ground

if TYPE_CHECKING:
    import numpy.typing as npt

    from matcher.partial_fit.entries import Entries
    from matcher.partial_fit.tracks import PartialTracks
    from shared import FloatArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = ["MovementFit", "fit_movement", "is_long_enough"]

# Lines with pulse-width modulation, with vibrato, with bends. With the numbers below, each of the
# known notes is found by several lines at once.
N_LINES = {
    (True, True, False): 12,
    (True, False, False): 2,
    (False, True, False): 2,
    (False, False, False): 1,
    (True, True, True): 5,
    (False, True, True): 1,
    (False, False, True): 1,
}
N_FIRST, FIRST_STEPS = 256, 12
N_ROUNDS, N_DRAWS, ROUND_STEPS = 36, 100, 8
# Partials, each so many frames (of 9 ms), coefficients of the gains: of the lines, and of the best
# of them, whose frames have to follow a filter too.
COARSE = {"n_partials": 3, "every": 3, "n_courses": 1}
MIDDLE = {"n_partials": 4, "every": 2, "n_courses": 2}
PLAIN = {"n_partials": 8, "every": 2, "n_courses": 2}
FINE = {"n_partials": 12, "every": 1, "n_courses": 3}
N_MIDDLE, MIDDLE_STEPS, MIDDLE_ROUNDS, N_FINE, FINE_STEPS = 8, 20, 20, 5, 40
# A part is left out if what is left grows by less than this share and this share of each partial,
# as much as slow gains leave of a sound that swells (known strings: 0.9 %).
PLAIN_RATIO, PLAIN_SHARE, PLAIN_STEPS = 1.05, 0.01, 12
FEWEST_FRAMES = 24
# An octave is bent to a millionth by so many terms.
SERIES_TERMS = 12

_OSCILLATORS = (MOVES, MOVES + N_MOVES)
_PWM = tuple(at + i for at in _OSCILLATORS for i in (PWM_RATE, PWM_DEPTH, PWM_PHASE))
_VIBRATO = tuple(i for at in _OSCILLATORS for i in range(at + RATE, at + BEND))
_BENDS = tuple(at + i for at in _OSCILLATORS for i in (BEND, BEND_DECAY))
# Parts that may be left out: what becomes 0, and what then moves no more.
_PARTS = (
    (tuple(at + BEND for at in _OSCILLATORS), _BENDS),
    *(((at + BEND,), (at + BEND, at + BEND_DECAY)) for at in _OSCILLATORS),
    *(((at + DEPTH,), tuple(range(at + RATE, at + BEND))) for at in _OSCILLATORS),
    *(((at + PWM_DEPTH,), (at + PWM_RATE, at + PWM_DEPTH, at + PWM_PHASE)) for at in _OSCILLATORS),
    (
        tuple(
            i for o, at in enumerate(_OSCILLATORS) for i in (LEVELS + 2 * o + 1, at + PWM_DEPTH)
        ),
        (*_PWM, *(at + WIDTH for at in _OSCILLATORS), LEVELS + 1, LEVELS + 3),
    ),
    *(
        (
            (LEVELS + 2 * o + 1, at + PWM_DEPTH),
            (LEVELS + 2 * o + 1, *range(at + WIDTH, at + RATE)),
        )
        for o, at in enumerate(_OSCILLATORS)
    ),
    *(((LEVELS + 2 * o,), (LEVELS + 2 * o,)) for o in range(2)),
    *(((at + RATE_ENV,), (at + RATE_ENV,)) for at in _OSCILLATORS),
    *(((at + DELAY,), (at + DELAY,)) for at in _OSCILLATORS),
)


@dataclass(frozen=True, eq=False)
class MovementFit:
    """One way in which two oscillators can make the partials of a note.

    Parameters
    ----------
    vector : np.ndarray, shape=(N,), dtype=float64
        Entries, named by `matcher.partial_fit.entries.NAMES`.
    left_ratio : float, 0 to 1
        Share of the partials' power that it leaves, mean over partials: all of them, or the
        lowest if it leaves less of these. High ones may move with a filter as no slow gain does.
    """

    vector: FloatArray
    left_ratio: float


def fit_movement(
    tracks: PartialTracks, entries: Entries, *, seed: int, n_best: int
) -> list[MovementFit]:
    """Fit the movement of two oscillators to the partials of a note.

    Parameters
    ----------
    tracks : PartialTracks
        The note.
    entries : Entries
        What may move, and where the rest stands.
    seed : int >= 0
        Seed of all draws.
    n_best : int >= 1
        How many different fits are wanted.

    Returns
    -------
    list of MovementFit
        Up to `n_best`, the closest first; none of a note that is too short.
    """
    if not is_long_enough(tracks):
        return []
    rng = np.random.Generator(np.random.PCG64(seed))
    lines = _run_lines(Ground(tracks, entries.limits, **COARSE), entries, rng)
    middle = Ground(tracks, entries.limits, **MIDDLE)
    lines = lines.different(N_MIDDLE).walked(middle, MIDDLE_STEPS)
    lines = _redrawn(middle, entries, rng, lines, MIDDLE_ROUNDS).different(N_FINE)
    lowest, fine = (Ground(tracks, entries.limits, **kind) for kind in (PLAIN, FINE))
    lines = _leave_out(lowest, lines, tracks).walked(fine, FINE_STEPS).different(n_best)
    left = np.minimum(
        lines.costs / fine.n_partials, lowest.costs(lines.points) / lowest.n_partials
    )
    return [
        MovementFit(point, float(ratio)) for point, ratio in zip(lines.points, left, strict=True)
    ]


def is_long_enough(tracks: PartialTracks) -> bool:
    """Say whether a note can tell what moves.

    Parameters
    ----------
    tracks : PartialTracks
        The note.

    Returns
    -------
    bool
        False if it has hardly any frames, or no partials.
    """
    return len(tracks.partials) >= FEWEST_FRAMES and bool(np.any(tracks.partials))


def _run_lines(ground: Ground, entries: Entries, rng: np.random.Generator) -> Lines:
    """Begin each line at the best of many draws, and let it draw part after part anew."""
    kinds = [kind for kind, n_lines in N_LINES.items() for _ in range(n_lines)]
    is_free = np.array([_moving(entries, *kind) for kind in kinds])
    points = _draw(entries, rng, is_free, N_FIRST)
    costs = ground.costs(points.reshape(-1, N)).reshape(len(kinds), N_FIRST)
    points = points[np.arange(len(kinds)), np.argmin(costs, axis=1)]
    points, costs = ground.walk(points, is_free, FIRST_STEPS)
    return _redrawn(ground, entries, rng, Lines(points, is_free, costs), N_ROUNDS)


def _redrawn(
    ground: Ground, entries: Entries, rng: np.random.Generator, lines: Lines, n_rounds: int
) -> Lines:
    """Let lines draw parts anew from anywhere."""
    return redraw_parts(
        ground,
        rng,
        lines,
        lambda: _draw(entries, rng, lines.is_free, N_DRAWS),
        n_rounds=n_rounds,
        n_steps=ROUND_STEPS,
    )


def _moving(
    entries: Entries,
    has_pwm: bool,  # noqa: FBT001
    has_vibrato: bool,  # noqa: FBT001
    has_bends: bool,  # noqa: FBT001
) -> BoolArray:
    """Say what moves in a line of one kind, shape (N,)."""
    moving = entries.is_mobile.copy()
    if not has_pwm:
        moving[list(_PWM)] = False
    if not has_vibrato:
        moving[list(_VIBRATO)] = False
    if not has_bends:
        moving[list(_BENDS)] = False
    return moving


def _draw(
    entries: Entries, rng: np.random.Generator, is_free: BoolArray, n_draws: int
) -> FloatArray:
    """Draw vectors for each line, shape (n_lines, n_draws, N); depths of what is fixed are 0."""
    drawn = draw_vectors(rng, len(is_free) * n_draws, entries.limits.ends)
    drawn = drawn.reshape(len(is_free), n_draws, N)
    base = np.tile(entries.base, (len(is_free), 1))
    for at in _OSCILLATORS:
        for depth in (at + PWM_DEPTH, at + DEPTH, at + BEND):
            base[entries.is_mobile[depth] & ~is_free[:, depth], depth] = 0.0
    joined = np.where(is_free[:, None, :], drawn, base[:, None, :])
    return entries.limits.held(joined.reshape(-1, N)).reshape(joined.shape)


def _bent_away(points: FloatArray, zeros: tuple[int, ...], pitch_hz: float) -> FloatArray:
    """Say how far bends that are left out have turned oscillator 2 against 1, in cycles."""
    turned = np.zeros(len(points))
    for sign, at in zip((-1.0, 1.0), _OSCILLATORS, strict=True):
        if at + BEND in zeros:
            octaves, decay_s = points[:, at + BEND] / 1200.0, 2.0 ** points[:, at + BEND_DECAY]
            # The integral of 2^(octaves exp(-t / decay)) - 1, term by term of its series.
            x, term, total = np.log(2.0) * octaves, np.ones(len(points)), np.zeros(len(points))
            for n in range(1, SERIES_TERMS):
                term = term * x / n
                total += term / n
            turned += sign * pitch_hz * decay_s * total
    return turned


def _leave_out(ground: Ground, lines: Lines, tracks: PartialTracks) -> Lines:
    """Set parts to 0 that change nothing, which then move no more."""
    lines = lines.walked(ground, PLAIN_STEPS)
    points, is_free, costs = lines.points.copy(), lines.is_free.copy(), lines.costs.copy()
    for zeros, fixed in _PARTS:
        without, moving = points.copy(), is_free.copy()
        is_zeroed = np.isin(np.arange(N), zeros)
        for o in range(2):
            saw, pulse = LEVELS + 2 * o, LEVELS + 2 * o + 1
            if pulse in zeros:  # a pulse that doesn't move is a sawtooth to free gains
                without[:, saw] = np.maximum(without[:, saw], without[:, pulse])
        without[:, PHASE] += _bent_away(points, zeros, tracks.pitch_hz)
        without[:, list(zeros)] = 0.0
        moving[:, list(fixed)] = False
        without, found = ground.walk(without, moving, PLAIN_STEPS)
        is_plain = found < PLAIN_RATIO * costs + PLAIN_SHARE * ground.n_partials
        is_plain &= np.all(is_free | (points == 0.0), axis=1, where=is_zeroed)
        points[is_plain], is_free[is_plain] = without[is_plain], moving[is_plain]
        # Against what was there at first: else a little is lost again and again.
        costs = np.where(is_plain, np.minimum(costs, found), costs)
    return Lines(points, is_free, costs)
