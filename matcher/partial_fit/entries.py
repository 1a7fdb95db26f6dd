"""Entries of the fitted vectors: their names, where they may lie, and how they follow the key."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.partial_fit._paths import (
    BEND,
    BEND_DECAY,
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
    TUNE,
    WIDTH,
    N,
)
from matcher.partial_fit.walks import Limits
from shared import CATALOGUE, PHASE_NAMES

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from matcher.problem import Problem
    from shared import FloatArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = ["BLOCKS", "NAMES", "Entries", "key_changes", "named", "tracking_name"]

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
C4_MIDI = 60.0
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
    key_octaves : float
        Key of the note in octaves above C4.
    tracking : np.ndarray, shape=(3, N), dtype=float64
        Key tracking of rates and depths in octaves per octave: of the base, and the lowest and
        highest that the problem searches; three times the same where it searches none.
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
        key_octaves = (midi_pitch - C4_MIDI) / 12.0
        tracking = np.array([_tracking(problem, values, name) for name in NAMES]).T
        shifts, factors = key_changes(tracking[0], key_octaves)
        is_mobile = np.array([_is_searched(problem, name) for name in NAMES])
        ends = np.array([(-np.inf, np.inf)] * N).T
        for i, name in enumerate(NAMES):
            if is_mobile[i] and name not in PHASE_NAMES:
                parameter = problem.space[name]
                ends[:, i] = _encoded(name, parameter.low), _encoded(name, parameter.high)
        # At this key a note may lie as far outside a range at C4 as key tracking leads.
        reached = np.array([key_changes(row, key_octaves) for row in tracking[1:]])
        lowest, highest = reached.min(axis=0), reached.max(axis=0)
        ends = np.stack([ends[0] * lowest[1] + lowest[0], ends[1] * highest[1] + highest[0]])
        plain = np.array([_encoded(name, {**values, **phases}[name]) for name in NAMES])
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
                rested[at + RATE : at + BEND] = self.base[at + RATE : at + BEND]
                rested[at + DEPTH] = 0.0
            if vector[at + BEND] == 0.0:
                rested[at + BEND_DECAY] = self.base[at + BEND_DECAY]
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
        return named(self.at_c4(vector))

    def at_c4(self, vector: FloatArray) -> FloatArray:
        """Take entries from the key of the note to C4, by the base's key tracking.

        Parameters
        ----------
        vector : np.ndarray, shape=(N,)
            Entries at the key.

        Returns
        -------
        np.ndarray, shape=(N,)
            The same at C4.
        """
        plain: FloatArray = (vector - self.shifts) / self.factors
        return plain


def named(plain: FloatArray) -> dict[str, float]:
    """Name entries at C4.

    Parameters
    ----------
    plain : np.ndarray, shape=(N,)
        Entries.

    Returns
    -------
    dict of str to float
        Physical values by the catalogue's names; phases in cycles by `PHASE_NAMES`.
    """
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
    """Name the key tracking of an entry.

    Parameters
    ----------
    name : str
        One of `NAMES`.

    Returns
    -------
    str
        A name of the catalogue; empty for what doesn't follow the key.
    """
    for end, tracking in (("rate_hz", "rate"), ("vibrato.depth_cents", "vibrato.depth")):
        if name.endswith(end):
            return f"{name.removesuffix(end)}{tracking}_key_track_ratio"
    return ""


def key_changes(tracking: FloatArray, key_octaves: float) -> tuple[FloatArray, FloatArray]:
    """Say how much entries change from C4 to a key.

    Parameters
    ----------
    tracking : np.ndarray, shape=(N,)
        Octaves per octave.
    key_octaves : float
        The key in octaves above C4.

    Returns
    -------
    shifts : np.ndarray, shape=(N,)
        What is added, as rates are logarithms.
    factors : np.ndarray, shape=(N,)
        What depths are multiplied by.
    """
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
