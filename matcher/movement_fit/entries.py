"""Entries of the fitted vectors: their names, where they may lie, and how they are drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.movement_fit._paths import (
    DELAY,
    DEPTH,
    DETUNE,
    LEVELS,
    MOVES,
    N_MOVES,
    PHASE,
    PWM_DEPTH,
    PWM_PHASE,
    PWM_RATE,
    RATE,
    RATE_ENV,
    TUNE,
    VIBRATO_PHASE,
    WIDTH,
    N,
)
from matcher.movement_fit.walks import Limits
from shared import CATALOGUE, PHASE_NAMES

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from matcher.problem import Problem
    from shared import FloatArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = ["BLOCKS", "NAMES", "Entries", "draw_vectors"]

OSCILLATORS = ("osc1", "osc2")
_MOVES = (
    "pulse_width_ratio", "pwm.rate_hz", "pwm.depth_ratio", "pwm.phase", "vibrato.rate_hz",
    "vibrato.depth_cents", "vibrato.phase", "vibrato.delay_s", "vibrato.rate_env_octaves",
)  # fmt: skip
NAMES = (
    "tune_cents",
    "osc2.detune_cents",
    "osc2.phase",
    *(f"{osc}.{wave}_level" for osc in OSCILLATORS for wave in ("saw", "pulse")),
    *(f"{osc}.{name}" for osc in OSCILLATORS for name in _MOVES),
)
_OF_OSCILLATOR = tuple(MOVES + o * N_MOVES for o in range(2))
# Entries that are drawn anew together: how both oscillators beat; each one's pulse with what moves
# it, its levels, its vibrato.
BLOCKS = (
    (DETUNE, PHASE),
    *(
        (LEVELS + 2 * o + 1, *(at + i for i in (WIDTH, PWM_RATE, PWM_DEPTH, PWM_PHASE)))
        for o, at in enumerate(_OF_OSCILLATOR)
    ),
    *((LEVELS + 2 * o, LEVELS + 2 * o + 1) for o in range(2)),
    *(tuple(range(at + RATE, at + N_MOVES)) for at in _OF_OSCILLATOR),
)
# Where draws lie: what vibratos, pulse-width modulations and detunes are set to, common practice,
# no source.
MOST_DETUNE_CENTS, WIDTH_RATIOS = 15.0, (0.1, 0.5)
PWM_RATES_HZ, PWM_DEPTHS, LONGEST_DELAY_S = (0.4, 3.5), (0.05, 0.35), 0.7
VIBRATO_RATES_HZ, VIBRATO_DEPTHS_CENTS = (3.5, 7.5), (3.0, 25.0)
SAW_SHARE, LEAST_PULSE = 0.7, 0.2


@dataclass(frozen=True, eq=False)
class Entries:
    """What a fit may move for one note of a problem.

    Parameters
    ----------
    base : np.ndarray, shape=(N,), dtype=float64
        Values of the entries that don't move.
    is_mobile : np.ndarray of bool, shape=(N,)
        Which ones do.
    limits : Limits
        Within which.
    shifts : np.ndarray, shape=(N,), dtype=float64
        How much each entry is higher at this note's key than at C4: octaves of rates.
    factors : np.ndarray, shape=(N,), dtype=float64
        The same as ratios, of depths.
    """

    base: FloatArray
    is_mobile: BoolArray
    limits: Limits
    shifts: FloatArray
    factors: FloatArray

    @classmethod
    def of(cls, problem: Problem, base: FloatArray, midi_pitch: float) -> Entries:
        """Find out what a problem lets move.

        Parameters
        ----------
        problem : Problem
            What is searched.
        base : np.ndarray, shape=(n_dimensions,)
            A vector of the problem, which says where the rest stands.
        midi_pitch : float
            Key of the note that is fitted.

        Returns
        -------
        Entries
            A linked parameter follows its source, unless a switch sets it.
        """
        row = problem.values(base[None, :])[0]
        values = dict(zip(CATALOGUE.names, row.tolist(), strict=True))
        phases = dict(zip(PHASE_NAMES, problem.phases(base[None, :], 0)[0].tolist(), strict=True))
        shifts, factors = _key_tracking(values, (midi_pitch - 60.0) / 12.0)
        is_mobile = np.array([_is_searched(problem, name) for name in NAMES])
        ends = np.array([(-np.inf, np.inf)] * N).T
        for i, name in enumerate(NAMES):
            if is_mobile[i] and name not in PHASE_NAMES:
                parameter = problem.space[name]
                ends[:, i] = _encoded(name, parameter.low), _encoded(name, parameter.high)
        plain = np.array([_encoded(name, {**values, **phases}[name]) for name in NAMES])
        sources = np.array([_source(problem, i) for i in range(N)])
        return cls(
            plain * factors + shifts,
            is_mobile,
            Limits(ends * factors + shifts, sources),
            shifts,
            factors,
        )

    def rested(self, vector: FloatArray) -> FloatArray:
        """Put back to the base what does nothing: rates without depth, widths without pulse.

        Parameters
        ----------
        vector : np.ndarray, shape=(N,)
            Entries.

        Returns
        -------
        np.ndarray, shape=(N,)
            A copy that sounds the same.
        """
        rested = vector.copy()
        for o, at in enumerate(_OF_OSCILLATOR):
            if vector[LEVELS + 2 * o + 1] == 0.0:
                rested[at + PWM_DEPTH], rested[at + WIDTH] = 0.0, self.base[at + WIDTH]
            if rested[at + PWM_DEPTH] == 0.0:
                rested[[at + PWM_RATE, at + PWM_PHASE]] = self.base[
                    [at + PWM_RATE, at + PWM_PHASE]
                ]
            if vector[at + DEPTH] == 0.0:
                rested[at + RATE : at + N_MOVES] = self.base[at + RATE : at + N_MOVES]
                rested[at + DEPTH] = 0.0
        return rested

    def both_orders(self, vector: FloatArray) -> list[FloatArray]:
        """Let the oscillators change places: the partials are the same, but not their phases.

        Oscillator 1 begins its cycle with the note, so that the front edge tells the orders apart.

        Parameters
        ----------
        vector : np.ndarray, shape=(N,)
            Entries.

        Returns
        -------
        list of np.ndarray, shape=(N,)
            As it is, and the other way round if the problem can do that. An oscillator that
            sounds alone is oscillator 1.
        """
        other = vector.copy()
        for first, last in ((LEVELS, MOVES), (MOVES, N)):
            middle = (first + last) // 2
            other[first:last] = np.concatenate([vector[middle:last], vector[first:middle]])
        other[TUNE], other[DETUNE] = vector[TUNE] + vector[DETUNE], -vector[DETUNE]
        other[PHASE] = -vector[PHASE]
        is_alike = np.array_equal(self.limits.sources, np.arange(N)) and all(
            np.array_equal(half, rest)
            for half, rest in (
                np.split(self.is_mobile[LEVELS:MOVES], 2),
                np.split(self.is_mobile[MOVES:], 2),
            )
        )
        if not is_alike or not self.is_mobile[[TUNE, DETUNE]].all():
            return [vector]
        sounds = [np.any(x[LEVELS : LEVELS + 2] > 0.0) for x in (vector, other)]
        return [x for x, does in zip((vector, other), sounds, strict=True) if does]

    def settings(self, vector: FloatArray) -> dict[str, float]:
        """Name the values and phases of a vector.

        Parameters
        ----------
        vector : np.ndarray, shape=(N,)
            Entries at the key of the note.

        Returns
        -------
        dict of str to float
            Physical values by the catalogue's names, at C4; phases in cycles by `PHASE_NAMES`.
        """
        plain = (vector - self.shifts) / self.factors
        settings = {}
        for name, entry in zip(NAMES, plain.tolist(), strict=True):
            settings[name] = 2.0**entry if name.endswith("rate_hz") else entry
            if name in PHASE_NAMES:
                settings[name] = entry % 1.0
        return settings


def _encoded(name: str, value: float) -> float:
    """Take the logarithm of rates."""
    return float(np.log2(value)) if name.endswith("rate_hz") else value


def _is_searched(problem: Problem, name: str) -> bool:
    """Whether a problem searches a parameter or phase."""
    if name in PHASE_NAMES:
        return PHASE_NAMES.index(name) in problem.phase_columns
    return name in problem.space


def _source(problem: Problem, i: int) -> int:
    """Entry that entry `i` is linked to, or itself; phases go with rates."""
    name = NAMES[i]
    is_phase = name in PHASE_NAMES
    told = name.removesuffix("phase") + "rate_hz" if is_phase else name
    source = problem.structure.links.get(told)
    if source is None or told in problem.structure.link_values:
        return i
    if is_phase:
        source = source.removesuffix("rate_hz") + "phase"
    return NAMES.index(source) if source in NAMES else i


def _key_tracking(
    values: Mapping[str, float], keys_octaves: float
) -> tuple[FloatArray, FloatArray]:
    """Shifts and factors of `Entries`."""
    shifts, factors = np.zeros(N), np.ones(N)
    for i, name in enumerate(NAMES):
        if name.endswith("rate_hz"):
            tracking = values[name.removesuffix("rate_hz") + "rate_key_track_ratio"]
            shifts[i] = tracking * keys_octaves
        if name.endswith("depth_cents"):
            tracking = values[name.removesuffix("depth_cents") + "depth_key_track_ratio"]
            factors[i] = 2.0 ** (tracking * keys_octaves)
    return shifts, factors


def draw_vectors(rng: np.random.Generator, n_vectors: int) -> FloatArray:
    """Draw vectors around usual settings.

    Parameters
    ----------
    rng : np.random.Generator
        Where chance comes from.
    n_vectors : int >= 0
        How many.

    Returns
    -------
    np.ndarray, shape=(n_vectors, N), dtype=float64
        Tuning and rate envelopes at rest; everything else anywhere in its usual range.
    """
    u = rng.random((n_vectors, N))
    drawn = u.copy()  # phases, and what is left as it is
    drawn[:, TUNE] = 0.0
    drawn[:, DETUNE] = MOST_DETUNE_CENTS * (2.0 * u[:, DETUNE] - 1.0)
    for o, at in enumerate(_OF_OSCILLATOR):
        saw, pulse = LEVELS + 2 * o, LEVELS + 2 * o + 1
        drawn[:, saw] = np.maximum(u[:, saw] - 1.0 + SAW_SHARE, 0.0) / SAW_SHARE
        drawn[:, pulse] = LEAST_PULSE + (1.0 - LEAST_PULSE) * u[:, pulse]
        drawn[:, at + WIDTH] = _between(u[:, at + WIDTH], *WIDTH_RATIOS)
        drawn[:, at + PWM_RATE] = _between(u[:, at + PWM_RATE], *np.log2(PWM_RATES_HZ))
        drawn[:, at + PWM_DEPTH] = _between(u[:, at + PWM_DEPTH], *PWM_DEPTHS)
        drawn[:, at + RATE] = _between(u[:, at + RATE], *np.log2(VIBRATO_RATES_HZ))
        depths = _between(u[:, at + DEPTH], *np.log2(VIBRATO_DEPTHS_CENTS))
        drawn[:, at + DEPTH] = 2.0**depths
        drawn[:, at + VIBRATO_PHASE] = u[:, at + VIBRATO_PHASE]
        drawn[:, at + DELAY] = LONGEST_DELAY_S * u[:, at + DELAY]
        drawn[:, at + RATE_ENV] = 0.0
    return drawn


def _between(shares: FloatArray, low: float, high: float) -> FloatArray:
    """Spread shares from 0 to 1 evenly between two ends."""
    return low + (high - low) * shares
