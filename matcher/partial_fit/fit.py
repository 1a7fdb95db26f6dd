"""What two oscillators do over time, fitted to the partials of one note.

Valleys are narrow in some twenty dimensions, but one part at a time leads down: each of a pool of
vectors has one part drawn anew (a vibrato, a pulse with its modulation, the detune), many times,
is fitted from the best draw, and keeps what leaves less of the partials. That is done on few
partials, where valleys are wide; the best go on with more, and lose what changes nothing. The
number of draws is fixed, so a seed gives the same on every machine.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.optimise import descend
from matcher.partial_fit import model as kernels
from matcher.partial_fit.entries import (
    BLOCKS,
    HALF_CYCLE,
    draw_vectors,
    kind_of_pulses,
    turned_pulses,
)
from matcher.partial_fit.model import (
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

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    from matcher.partial_fit.entries import Entries, Limits
    from matcher.partial_fit.tracks import PartialTracks
    from shared import FloatArray

    BoolArray = npt.NDArray[np.bool_]

__all__: list[str] = []

# How many vectors move pulse-width modulation, vibrato, bends. With the numbers below, each of
# the known notes is found by several vectors at once.
N_ROWS = {
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
# Where more of the power is left, pulses are begun once more, with the other edge.
WELL_FITTED_RATIO = 0.03
# Partials, each so many frames (of 9 ms), coefficients of the gains: of the pool, and of its best
# vectors, whose frames have to follow a filter too.
COARSE = {"n_partials": 3, "every": 3, "n_courses": 1}
MIDDLE = {"n_partials": 4, "every": 2, "n_courses": 2}
PLAIN = {"n_partials": 8, "every": 2, "n_courses": 2}
FINE = {"n_partials": 12, "every": 1, "n_courses": 3}
N_MIDDLE, MIDDLE_STEPS, MIDDLE_ROUNDS, N_FINE, FINE_STEPS = 8, 20, 20, 5, 40
# A part is left out if what is left grows by less than this share and this share of each partial,
# as much as slow gains leave of a sound that swells (known strings: 0.9 %).
PLAIN_RATIO, PLAIN_SHARE, PLAIN_STEPS = 1.05, 0.01, 12
FEWEST_FRAMES = 24
# Whether the other edge moves, and whether pulses are turned over, against a vector that has come
# close with its own kind.
KINDS_OF_PULSES = ((True, False), (False, True), (True, True))
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
# Fits that leave the same are the same.
SAME_RATIO, SAME_SHARE = 1.01, 1e-4


class NoteModel:
    """What vectors (n_vectors, N) leave of a note's partials, and the way down.

    The lowest `n_partials` count, in each `every`-th frame, with gains over time that are
    polynomials of `n_courses` coefficients.
    """

    def __init__(
        self,
        tracks: PartialTracks,
        limits: Limits,
        *,
        n_partials: int,
        every: int,
        n_courses: int,
    ) -> None:
        skipped = -tracks.first % every
        self.limits = limits
        self._target = tracks.normalised(n_partials)[skipped::every].copy()
        first = (tracks.first + skipped) // every
        self._timing = np.array(
            [tracks.pitch_hz, every * tracks.step_s, float(first), 0.25 * tracks.window_s]
        )
        self._n_courses = n_courses

    @property
    def n_partials(self) -> int:
        """How many partials count."""
        return int(self._target.shape[1])

    def costs(self, vectors: FloatArray) -> FloatArray:
        """Sum over partials the share of power that each vector leaves, 0 to `n_partials`."""
        # In one layout, so that the kernels are compiled once.
        vectors = np.ascontiguousarray(vectors)
        costs = np.empty(len(vectors))
        paths = np.empty((len(vectors), 2, kernels.N_PLAIN, len(self._target)))
        kernels.set_paths(vectors, self._timing, paths)
        kernels.set_costs(vectors, paths, self._target, self._n_courses, costs)
        return costs

    def descend(
        self, vectors: FloatArray, is_free: BoolArray, n_steps: int
    ) -> tuple[FloatArray, FloatArray]:
        """Fit each vector where it is free; where they end, and their costs."""
        return descend(
            vectors,
            is_free,
            n_steps,
            costs=self.costs,
            products=self._products,
            held=self.limits.held,
        )

    def _products(self, vectors: FloatArray) -> FloatArray:
        """Products of residuals and slopes with each other, shape (n_vectors, 1 + N, 1 + N)."""
        vectors = np.ascontiguousarray(vectors)
        products = np.empty((len(vectors), 1 + N, 1 + N))
        paths = np.empty((len(vectors), 2, kernels.N_PATH, len(self._target)))
        kernels.set_paths(vectors, self._timing, paths)
        kernels.set_products(
            vectors, paths, self._target, self._n_courses, self.limits.sources, products
        )
        return products


@dataclass(frozen=True, eq=False)
class Pool:
    """Vectors that are fitted side by side: `points`, what `is_free` in each, and `costs`."""

    points: FloatArray
    is_free: BoolArray
    costs: FloatArray

    def different(self, n_best: int) -> Pool:
        """Choose the vectors that leave least, the closest first; equal ones count once."""
        chosen: list[int] = []
        for i in np.argsort(self.costs, kind="stable"):
            if len(chosen) == n_best:
                break
            known = self.costs[chosen[-1]] if chosen else -np.inf
            if self.costs[i] > SAME_RATIO * known + SAME_SHARE:
                chosen.append(int(i))
        return Pool(self.points[chosen], self.is_free[chosen], self.costs[chosen])

    def joined(self, other: Pool) -> Pool:
        """Put two pools together."""
        return Pool(
            np.concatenate([self.points, other.points]),
            np.concatenate([self.is_free, other.is_free]),
            np.concatenate([self.costs, other.costs]),
        )

    def fitted(self, model: NoteModel, n_steps: int) -> Pool:
        """Fit each vector."""
        points, costs = model.descend(self.points, self.is_free, n_steps)
        return Pool(points, self.is_free, costs)


def redraw_parts(
    model: NoteModel,
    rng: np.random.Generator,
    pool: Pool,
    draw: Callable[[], FloatArray],
    *,
    n_rounds: int,
    n_steps: int,
) -> Pool:
    """Draw one part of each vector anew, `n_rounds` times, fit it, and keep what is better.

    `draw` makes new vectors for each, shape (n_vectors, n_draws, N).
    """
    points, costs, numbers = pool.points.copy(), pool.costs.copy(), np.arange(len(pool.costs))
    parts = np.zeros((len(BLOCKS), N), bool)
    for part, block in zip(parts, BLOCKS, strict=True):
        part[list(block)] = True
    can = np.any(pool.is_free[:, None, :] & parts, axis=2)
    for _ in range(n_rounds if np.any(can) else 0):
        chosen = np.argmax(np.where(can, rng.random(can.shape), -1.0), axis=1)
        drawn = draw()
        is_new = (parts[chosen] & pool.is_free)[:, None, :]
        tried = model.limits.held(np.where(is_new, drawn, points[:, None, :]).reshape(-1, N))
        found = model.costs(tried).reshape(len(numbers), -1)
        tried = tried.reshape(drawn.shape)[numbers, np.argmin(found, axis=1)]
        tried, found = model.descend(tried, pool.is_free, n_steps)
        is_lower = found < costs
        points[is_lower], costs[is_lower] = tried[is_lower], found[is_lower]
    return Pool(points, pool.is_free, costs)


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
    """Fit two oscillators to the partials of a note: up to `n_best`, the closest first."""
    if not is_long_enough(tracks):
        return []
    rng = np.random.Generator(np.random.PCG64(seed))
    coarse, middle = (NoteModel(tracks, entries.limits, **kind) for kind in (COARSE, MIDDLE))
    pool = _begin_pool(coarse, entries, rng, is_other=False)
    widest = entries.limits.ends[1, [at + WIDTH for at in _OSCILLATORS]]
    is_open = np.any(np.isfinite(widest) & (widest > HALF_CYCLE))
    if is_open and np.min(pool.costs) > WELL_FITTED_RATIO * coarse.n_partials:
        pool = _with_other_pulses(coarse, pool, FIRST_STEPS)
        pool = pool.joined(_begin_pool(coarse, entries, rng, is_other=True))
    pool = pool.different(N_MIDDLE).fitted(middle, MIDDLE_STEPS)
    pool = _redrawn(middle, entries, rng, pool, MIDDLE_ROUNDS).different(N_FINE)
    lowest, fine = (NoteModel(tracks, entries.limits, **kind) for kind in (PLAIN, FINE))
    pool = _leave_out(lowest, pool, tracks).fitted(fine, FINE_STEPS).different(n_best)
    left = np.minimum(pool.costs / fine.n_partials, lowest.costs(pool.points) / lowest.n_partials)
    order = np.argsort(left, kind="stable")
    return [MovementFit(pool.points[i], float(left[i])) for i in order]


def is_long_enough(tracks: PartialTracks) -> bool:
    """Say whether a note can tell what moves."""
    return len(tracks.partials) >= FEWEST_FRAMES and bool(np.any(tracks.partials))


def _begin_pool(
    model: NoteModel, entries: Entries, rng: np.random.Generator, *, is_other: bool
) -> Pool:
    """Begin each vector at the best of many draws, and draw part after part of it anew.

    With `is_other`, those with pulses whose other edge moves.
    """
    kinds = [
        kind for kind, n_rows in N_ROWS.items() for _ in range(n_rows) if kind[0] or not is_other
    ]
    is_free = np.array([_moving(entries, *kind) for kind in kinds])
    highest = entries.limits.ends[1, [LEVELS + 1, LEVELS + 3]]
    turned = np.full(len(kinds), is_other), np.full(len(kinds), bool(np.min(highest) <= 0.0))
    points = _draw(entries, rng, is_free, turned, N_FIRST)
    costs = model.costs(points.reshape(-1, N)).reshape(len(kinds), N_FIRST)
    points = points[np.arange(len(kinds)), np.argmin(costs, axis=1)]
    points, costs = model.descend(points, is_free, FIRST_STEPS)
    return _redrawn(model, entries, rng, Pool(points, is_free, costs), N_ROUNDS)


def _redrawn(
    model: NoteModel, entries: Entries, rng: np.random.Generator, pool: Pool, n_rounds: int
) -> Pool:
    """Draw parts anew from anywhere."""
    return redraw_parts(
        model,
        rng,
        pool,
        lambda: _draw(entries, rng, pool.is_free, kind_of_pulses(pool.points), N_DRAWS),
        n_rounds=n_rounds,
        n_steps=ROUND_STEPS,
    )


def _with_other_pulses(model: NoteModel, pool: Pool, n_steps: int) -> Pool:
    """Try each vector with the other kinds of pulses, and keep what leaves less.

    A fit with the wrong edge has all widths, and only their turns the wrong way round.
    """
    points, costs = pool.points.copy(), pool.costs.copy()
    for is_other, is_over in KINDS_OF_PULSES:
        tried = model.limits.held(turned_pulses(points, is_other, is_over))
        if is_other:
            # Both pulses turn about their middles: where they meet stays as it was.
            first, second = (points[:, at + WIDTH] for at in _OSCILLATORS)
            tried[:, PHASE] += second - first
        tried, found = model.descend(tried, pool.is_free, n_steps)
        is_lower = found < costs
        points[is_lower], costs[is_lower] = tried[is_lower], found[is_lower]
    return Pool(points, pool.is_free, costs)


def _moving(
    entries: Entries,
    has_pwm: bool,  # noqa: FBT001
    has_vibrato: bool,  # noqa: FBT001
    has_bends: bool,  # noqa: FBT001
) -> BoolArray:
    """Say what moves in a vector of one kind, shape (N,)."""
    moving = entries.is_mobile.copy()
    if not has_pwm:
        moving[list(_PWM)] = False
    if not has_vibrato:
        moving[list(_VIBRATO)] = False
    if not has_bends:
        moving[list(_BENDS)] = False
    return moving


def _draw(
    entries: Entries,
    rng: np.random.Generator,
    is_free: BoolArray,
    kind: tuple[BoolArray, BoolArray],
    n_draws: int,
) -> FloatArray:
    """Draw for each vector, shape (n_vectors, n_draws, N); depths of what is fixed are 0.

    `kind` of pulses is that of each vector, see `kind_of_pulses`.
    """
    drawn = draw_vectors(rng, len(is_free) * n_draws, entries.limits.ends)
    drawn = drawn.reshape(len(is_free), n_draws, N)
    drawn = turned_pulses(drawn, *(flags[:, None] for flags in kind))
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


def _leave_out(model: NoteModel, pool: Pool, tracks: PartialTracks) -> Pool:
    """Set parts to 0 that change nothing, which then move no more."""
    pool = pool.fitted(model, PLAIN_STEPS)
    points, is_free, costs = pool.points.copy(), pool.is_free.copy(), pool.costs.copy()
    for zeros, fixed in _PARTS:
        without, moving = points.copy(), is_free.copy()
        is_zeroed = np.isin(np.arange(N), zeros)
        for o in range(2):
            saw, pulse = LEVELS + 2 * o, LEVELS + 2 * o + 1
            if pulse in zeros:  # a pulse that doesn't move is a sawtooth to free gains
                without[:, saw] = np.maximum(without[:, saw], np.abs(without[:, pulse]))
        without[:, PHASE] += _bent_away(points, zeros, tracks.pitch_hz)
        without[:, list(zeros)] = 0.0
        moving[:, list(fixed)] = False
        without, found = model.descend(without, moving, PLAIN_STEPS)
        is_plain = found < PLAIN_RATIO * costs + PLAIN_SHARE * model.n_partials
        is_plain &= np.all(is_free | (points == 0.0), axis=1, where=is_zeroed)
        points[is_plain], is_free[is_plain] = without[is_plain], moving[is_plain]
        # Against what was there at first: else a little is lost again and again.
        costs = np.where(is_plain, np.minimum(costs, found), costs)
    return Pool(points, is_free, costs)
