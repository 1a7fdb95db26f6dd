"""Entries of the fitted vectors: names, limits, draws of chance, and how they follow the key."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.partial_fit.model import (
    BEND,
    BEND_DECAY,
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
from shared import CATALOGUE, PHASE_NAMES, PULSE_KIND

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from matcher.problem import Problem
    from shared import FloatArray
    from shared.types import IntArray

    BoolArray = npt.NDArray[np.bool_]
    Flags = bool | BoolArray

__all__: list[str] = []

OSCILLATORS = ("osc1", "osc2")
_MOVES = (
    "pulse_width_ratio", "pwm.rate_hz", "pwm.depth_ratio", "pwm.phase", "vibrato.rate_hz",
    "vibrato.depth_cents", "vibrato.phase", "vibrato.delay_s", "vibrato.rate_env_octaves",
    "pitch_env.depth_cents", "pitch_env.decay_s",
)  # fmt: skip
NAMES = (
    "tune_cents",
    "osc2.detune_cents",
    "osc2.phase",
    *(f"{osc}.{wave}_level" for osc in OSCILLATORS for wave in ("saw", "pulse")),
    *(f"{osc}.{name}" for osc in OSCILLATORS for name in _MOVES),
)
_LOGARITHMIC = ("rate_hz", "pitch_env.decay_s")
_IS_RATE = np.array([name.endswith("rate_hz") for name in NAMES])
C4_MIDI, HALF_CYCLE = 60.0, 0.5
_OF_OSCILLATOR = tuple(MOVES + o * N_MOVES for o in range(2))
# Entries that are drawn anew together: how both oscillators beat; each one's pulse with what moves
# it, its levels, its vibrato, its bend with how they beat after it.
BLOCKS = (
    (DETUNE, PHASE),
    *(
        (LEVELS + 2 * o + 1, *(at + i for i in (WIDTH, PWM_RATE, PWM_DEPTH, PWM_PHASE)))
        for o, at in enumerate(_OF_OSCILLATOR)
    ),
    *((LEVELS + 2 * o, LEVELS + 2 * o + 1) for o in range(2)),
    *(tuple(range(at + RATE, at + BEND)) for at in _OF_OSCILLATOR),
    *((PHASE, at + BEND, at + BEND_DECAY) for at in _OF_OSCILLATOR),
)
# Entries of each kind.
PHASES = (PHASE, *(at + i for at in _OF_OSCILLATOR for i in (PWM_PHASE, VIBRATO_PHASE)))
DEPTHS = tuple(at + DEPTH for at in _OF_OSCILLATOR)
RATES = tuple(at + i for at in _OF_OSCILLATOR for i in (PWM_RATE, RATE))
_WIDTHS = tuple(at + WIDTH for at in _OF_OSCILLATOR)
_PWM_DEPTHS = tuple(at + PWM_DEPTH for at in _OF_OSCILLATOR)
# Where draws lie: what vibratos, pulse-width modulations and detunes are set to, common practice,
# no source.
MOST_DETUNE_CENTS, WIDTH_RATIOS = 15.0, (0.1, 0.5)
PWM_RATES_HZ, PWM_DEPTHS, LONGEST_DELAY_S = (0.4, 3.5), (0.05, 0.35), 0.7
VIBRATO_RATES_HZ, VIBRATO_DEPTHS_CENTS = (3.5, 7.5), (3.0, 25.0)
SAW_SHARE, LEAST_PULSE = 0.7, 0.2
BENDS_CENTS, BEND_DECAYS_S = (15.0, 600.0), (0.02, 0.4)
# One vector of so many is drawn from all that an instrument offers.
WIDE_EVERY = 3
_CENTS = (DETUNE, *DEPTHS)
# With less, an LFO isn't heard, and its rate is anything.
LEAST_VIBRATO_CENTS, LEAST_PWM_RATIO = 0.5, 0.005
# Entry that tells by how much an LFO moves, and the least, by the entries that follow the key.
_DEPTH_OF = {
    at + entry: (at + depth, least)
    for at in (MOVES, MOVES + N_MOVES)
    for entry, depth, least in (
        (PWM_RATE, PWM_DEPTH, LEAST_PWM_RATIO),
        (RATE, DEPTH, LEAST_VIBRATO_CENTS),
        (DEPTH, DEPTH, LEAST_VIBRATO_CENTS),
    )
}


@dataclass(frozen=True, eq=False)
class Limits:
    """What a vector may be: `ends` (2, N), lowest and highest.

    `sources` (N,) says which entry each one follows: itself, unless it is tied to another one.
    """

    ends: FloatArray
    sources: IntArray

    def held(self, vectors: FloatArray) -> FloatArray:
        """Hold vectors within the ends, tied, and with their strongest waveform at level 1.

        Levels count as ratios, since the gain of every partial is free.
        """
        held: FloatArray = np.clip(vectors, *self.ends)[:, self.sources]
        strongest = np.abs(held[:, LEVELS:MOVES]).max(axis=1, keepdims=True)
        # A pulse that is turned over counts below 0.
        held[:, LEVELS:MOVES] /= np.where(strongest > 0.0, strongest, 1.0)
        return held


@dataclass(frozen=True, eq=False)
class Entries:
    """What a fit may move for one note of a problem, all of shape (N,).

    `base` has the values of what doesn't move, `is_mobile` says what does, within `limits`. At
    this note's key, `key_octaves` above C4, entries are higher by `shifts` (octaves of rates) and
    `factors` (ratios of depths). `tracking` (3, N) is key tracking in octaves per octave: of the
    base, and the lowest and highest that the problem searches.
    """

    base: FloatArray
    is_mobile: BoolArray
    limits: Limits
    shifts: FloatArray
    factors: FloatArray
    key_octaves: float
    tracking: FloatArray

    @property
    def is_tracked(self) -> BoolArray:
        """Which entries may follow the key in a way that is searched, shape (N,)."""
        tracked: BoolArray = self.is_mobile & (self.tracking[2] > self.tracking[1])
        return tracked

    @classmethod
    def of(cls, problem: Problem, base: FloatArray, midi_pitch: float) -> Entries:
        """Find out what a problem lets move; linked parameters follow their source."""
        row = problem.values(base[None, :])[0]
        values = dict(zip(CATALOGUE.names, row.tolist(), strict=True))
        phases = dict(zip(PHASE_NAMES, problem.phases(base[None, :], 0)[0].tolist(), strict=True))
        key_octaves = (midi_pitch - C4_MIDI) / 12.0
        tracking = np.array([_tracking(problem, values, name) for name in NAMES]).T
        shifts, factors = key_changes(tracking[0], key_octaves)
        is_mobile = np.array([_is_searched(problem, name) for name in NAMES])
        ends = np.array([(-np.inf, np.inf)] * N).T
        for i, name in enumerate(NAMES):
            if is_mobile[i] and name not in PHASE_NAMES:
                parameter = problem.space[name]
                ends[:, i] = _encoded(name, parameter.low), _encoded(name, parameter.high)
        _set_ends_of_pulses(problem, is_mobile, ends)
        # At this key a note may lie as far outside a range at C4 as key tracking leads.
        reached = np.array([key_changes(row, key_octaves) for row in tracking[1:]])
        lowest, highest = reached.min(axis=0), reached.max(axis=0)
        ends = np.stack([ends[0] * lowest[1] + lowest[0], ends[1] * highest[1] + highest[0]])
        plain = np.array([_encoded(name, {**values, **phases}[name]) for name in NAMES])
        plain = turned_pulses(plain, *(phases[name] >= HALF_CYCLE for name in PULSE_KIND))
        sources = np.array([_source(problem, i) for i in range(N)])
        return cls(
            plain * factors + shifts,
            is_mobile,
            Limits(ends, sources),
            shifts,
            factors,
            key_octaves,
            tracking,
        )

    def rested(self, vector: FloatArray) -> FloatArray:
        """Put back to the base what does nothing: rates without depth, widths without pulse."""
        rested = vector.copy()
        for o, at in enumerate(_OF_OSCILLATOR):
            if vector[LEVELS + 2 * o + 1] == 0.0:
                rested[at + PWM_DEPTH], rested[at + WIDTH] = 0.0, self.base[at + WIDTH]
            if rested[at + PWM_DEPTH] == 0.0:
                rested[[at + PWM_RATE, at + PWM_PHASE]] = self.base[
                    [at + PWM_RATE, at + PWM_PHASE]
                ]
            if vector[at + DEPTH] == 0.0:
                rested[at + RATE : at + BEND] = self.base[at + RATE : at + BEND]
                rested[at + DEPTH] = 0.0
            if vector[at + BEND] == 0.0:
                rested[at + BEND_DECAY] = self.base[at + BEND_DECAY]
        return rested

    def both_orders(self, vector: FloatArray) -> list[FloatArray]:
        """Let the oscillators change places: the partials are the same, but not their phases.

        Oscillator 1 begins its cycle with the note, so that the front edge tells the orders apart.
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
        sounds = [np.any(x[LEVELS : LEVELS + 2] != 0.0) for x in (vector, other)]
        return [x for x, does in zip((vector, other), sounds, strict=True) if does]

    def settings(self, vector: FloatArray) -> dict[str, float]:
        """Name values, at C4, and phases in cycles of a vector at the key of the note."""
        return named(self.at_c4(vector))

    def at_c4(self, vector: FloatArray) -> FloatArray:
        """Take entries from the key of the note to C4, by the base's key tracking."""
        plain: FloatArray = (vector - self.shifts) / self.factors
        return plain


def turned_pulses(vectors: FloatArray, is_other: Flags, is_over: Flags) -> FloatArray:
    """Let the other edge of pulses move, and turn them over, where it is said; or take it back."""
    turned = vectors.copy()
    for o, at in enumerate(_OF_OSCILLATOR):
        turned[..., at + WIDTH] = np.where(
            is_other, 1.0 - vectors[..., at + WIDTH], vectors[..., at + WIDTH]
        )
        turned[..., at + PWM_PHASE] += np.where(is_other, HALF_CYCLE, 0.0)
        turned[..., LEVELS + 2 * o + 1] *= np.where(is_over, -1.0, 1.0)
    return turned


def kind_of_pulses(vectors: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Say of vectors (..., N) whether the other edge moves, and whether pulses are turned over."""
    pulses = vectors[..., [LEVELS + 1, LEVELS + 3]]
    wider = vectors[..., list(_WIDTHS)] - HALF_CYCLE
    return np.sum(np.abs(pulses) * wider, axis=-1) > 0.0, np.sum(pulses, axis=-1) < 0.0


def _set_ends_of_pulses(problem: Problem, is_mobile: BoolArray, ends: FloatArray) -> None:
    """Widen the ends of widths and levels to either kind of pulse that is searched."""
    kinds = [PHASE_NAMES[column] for column in problem.pulse_columns]
    for o, at in enumerate(_OF_OSCILLATOR):
        width, pulse = at + WIDTH, LEVELS + 2 * o + 1
        if is_mobile[width] and PULSE_KIND[0] in kinds:
            low, high = ends[:, width]
            ends[:, width] = min(low, 1.0 - high), max(high, 1.0 - low)
        if is_mobile[pulse]:
            low, high = ends[:, pulse]
            if PULSE_KIND[1] in kinds:
                ends[:, pulse] = -high, high
            elif problem.structure.pulse_polarity == "opposite":
                ends[:, pulse] = -high, -low


def named(plain: FloatArray) -> dict[str, float]:
    """Name entries at C4."""
    settings = {}
    for name, entry in zip(NAMES, plain.tolist(), strict=True):
        settings[name] = 2.0**entry if name.endswith(_LOGARITHMIC) else entry
        if name in PHASE_NAMES:
            settings[name] = entry % 1.0
    return settings


def _encoded(name: str, value: float) -> float:
    """Take the logarithm of rates and decays."""
    return float(np.log2(value)) if name.endswith(_LOGARITHMIC) else value


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


def tracking_name(name: str) -> str:
    """Name the key tracking of an entry; empty for what doesn't follow the key."""
    for end, tracking in (("rate_hz", "rate"), ("vibrato.depth_cents", "vibrato.depth")):
        if name.endswith(end):
            return f"{name.removesuffix(end)}{tracking}_key_track_ratio"
    return ""


def key_changes(tracking: FloatArray, key_octaves: float) -> tuple[FloatArray, FloatArray]:
    """Say how entries change from C4 to a key: what is added, and what is multiplied by."""
    octaves = tracking * key_octaves
    return np.where(_IS_RATE, octaves, 0.0), np.where(_IS_RATE, 1.0, 2.0**octaves)


def _tracking(
    problem: Problem, values: Mapping[str, float], name: str
) -> tuple[float, float, float]:
    """Key tracking of an entry: the base's, and the ends of what is searched."""
    told = tracking_name(name)
    if not told:
        return 0.0, 0.0, 0.0
    if told not in problem.space:
        return values[told], values[told], values[told]
    return values[told], problem.space[told].low, problem.space[told].high


def draw_vectors(rng: np.random.Generator, n_vectors: int, ends: FloatArray) -> FloatArray:
    """Draw vectors (n_vectors, N) around usual settings, each third one from whole ranges.

    Tuning and rate envelopes are at rest.
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
        signed = 2.0 * u[:, at + BEND] - 1.0
        cents = 2.0 ** _between(np.abs(signed), *np.log2(BENDS_CENTS))
        drawn[:, at + BEND] = np.copysign(cents, signed)
        drawn[:, at + BEND_DECAY] = _between(u[:, at + BEND_DECAY], *np.log2(BEND_DECAYS_S))
    drawn[::WIDE_EVERY] = _wide(drawn[::WIDE_EVERY], u[::WIDE_EVERY], ends)
    return drawn


def _wide(drawn: FloatArray, u: FloatArray, ends: FloatArray) -> FloatArray:
    """Draw detunes, widths, rates and depths from whole ranges, small cents more often."""
    wide = drawn.copy()
    low, high = ends
    for i in (*_WIDTHS, *RATES, *_PWM_DEPTHS):
        if np.isfinite(low[i]) and np.isfinite(high[i]):
            # Wider pulses are those of the other edge.
            top = min(high[i], max(low[i], HALF_CYCLE)) if i in _WIDTHS else high[i]
            wide[:, i] = _between(u[:, i], low[i], top)
    for i in _CENTS:
        if np.isfinite(low[i]) and np.isfinite(high[i]):
            signed = 2.0 * u[:, i] - 1.0 if low[i] < 0.0 else u[:, i]
            wide[:, i] = signed * np.abs(signed) * max(high[i], -low[i])
    return wide


def draw_around(
    rng: np.random.Generator,
    known: FloatArray,
    is_free: BoolArray,
    octaves: FloatArray,
    n_draws: int,
) -> FloatArray:
    """Draw vectors (n_known, n_draws, N) of another note around those of a known one.

    Phases anywhere, rates and depths as far as key tracking can lead them, `octaves` (2, N).
    """
    u = rng.random((len(known), n_draws, N))
    moved = _between(u, *octaves)
    drawn = np.repeat(known[:, None, :], n_draws, axis=1)
    phases, rates, depths = list(PHASES), list(RATES), list(DEPTHS)
    drawn[:, :, phases] = u[:, :, phases]
    drawn[:, :, rates] += moved[:, :, rates]
    drawn[:, :, depths] *= 2.0 ** moved[:, :, depths]
    return np.where(is_free[:, None, :], drawn, known[:, None, :])


def _between(shares: FloatArray, low: float | FloatArray, high: float | FloatArray) -> FloatArray:
    """Spread shares from 0 to 1 evenly between two ends."""
    return low + (high - low) * shares


@dataclass(frozen=True, eq=False)
class KeyRule:
    """What entries are at C4, and how they follow the key in octaves per octave, both (N,)."""

    plain: FloatArray
    tracking: FloatArray

    @classmethod
    def of(
        cls, vectors: FloatArray, entries: Sequence[Entries], counts: BoolArray, i_held: int
    ) -> KeyRule:
        """Draw the rule through several notes, by least squares of octaves.

        `counts` says which notes tell rates and depths; `i_held` tells everything else. What isn't
        searched, hardly moves, or has only one key that counts keeps the base's key tracking.
        """
        held = entries[i_held]
        plain, tracking = held.at_c4(vectors[i_held]), held.tracking[0].copy()
        keys = np.array([e.key_octaves for e in entries])
        for i in np.flatnonzero(held.is_tracked).tolist():
            depth, least = _DEPTH_OF[i]
            told = counts & (vectors[:, depth] >= least)
            if not told[i_held] or np.ptp(keys[told]) == 0.0:
                continue
            is_depth = i == depth
            octaves = np.log2(vectors[told, i]) if is_depth else vectors[told, i]
            middle, mean = np.mean(keys[told]), np.mean(octaves)
            apart = keys[told] - middle
            slope = np.sum(apart * (octaves - mean)) / np.sum(apart**2)
            tracking[i] = np.clip(slope, *held.tracking[1:, i])
            at_c4 = mean - tracking[i] * middle
            plain[i] = 2.0**at_c4 if is_depth else at_c4
        return cls(plain, tracking)

    def at(self, key_octaves: float) -> FloatArray:
        """Say what entries are at a key."""
        shifts, factors = key_changes(self.tracking, key_octaves)
        moved: FloatArray = self.plain * factors + shifts
        return moved

    def settings(self) -> dict[str, float]:
        """Name values, phases and key tracking."""
        tracked = {
            tracking_name(NAMES[i]): float(self.tracking[i])
            for i in range(N)
            if tracking_name(NAMES[i])
        }
        return named(self.plain) | tracked
