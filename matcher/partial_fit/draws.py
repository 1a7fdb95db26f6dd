"""Where chance puts the entries of fitted vectors."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.partial_fit._paths import (
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

if TYPE_CHECKING:
    import numpy.typing as npt

    from shared import FloatArray

    BoolArray = npt.NDArray[np.bool_]

__all__ = ["DEPTHS", "PHASES", "RATES", "draw_around", "draw_vectors"]

_OF_OSCILLATOR = (MOVES, MOVES + N_MOVES)
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


def draw_vectors(rng: np.random.Generator, n_vectors: int, ends: FloatArray) -> FloatArray:
    """Draw vectors around usual settings, and some of them from whole ranges.

    Parameters
    ----------
    rng : np.random.Generator
        Where chance comes from.
    n_vectors : int >= 0
        How many.
    ends : np.ndarray, shape=(2, N)
        Lowest and highest values; infinite where there are none.

    Returns
    -------
    np.ndarray, shape=(n_vectors, N), dtype=float64
        Tuning and rate envelopes at rest; everything else anywhere in its usual range, or, in
        every third one, in its whole range.
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
            wide[:, i] = _between(u[:, i], low[i], high[i])
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
    """Draw vectors of another note around those of a known one.

    Parameters
    ----------
    rng : np.random.Generator
        Where chance comes from.
    known : np.ndarray, shape=(n_lines, N)
        Vectors of the known note.
    is_free : np.ndarray of bool, shape=(n_lines, N)
        What is drawn.
    octaves : np.ndarray, shape=(2, N)
        How far key tracking can lead rates and depths, both ends.
    n_draws : int >= 1
        How many for each line.

    Returns
    -------
    np.ndarray, shape=(n_lines, n_draws, N), dtype=float64
        Phases anywhere, rates and depths between the ends; everything else as it is known.
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
