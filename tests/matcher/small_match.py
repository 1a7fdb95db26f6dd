"""A match of a few candidates, for tests of what is done with its result."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher import match
from matcher.target import Target, target_from_signal

if TYPE_CHECKING:
    from matcher import MatchResult
    from shared import FloatArray

__all__ = ["played_note", "small_match"]

RATE_HZ = 22_050


def played_note(
    midi_pitch: float = 57.0, *, rate_hz: int = RATE_HZ, gain: float = 0.5, noise: float = 1e-5
) -> FloatArray:
    """Return half a second of eight partials, with some noise before, in and after it."""
    times_s = np.arange(round(0.5 * rate_hz)) / rate_hz
    hz = 440.0 * 2.0 ** ((midi_pitch - 69.0) / 12.0)
    sound = sum(np.sin(2 * np.pi * k * hz * times_s) / k for k in range(1, 9))
    sound *= np.minimum(1.0, times_s / 0.01) * np.minimum(1.0, (0.5 - times_s) / 0.05)
    silence = np.zeros(round(0.1 * rate_hz))
    whole = np.concatenate([silence, sound / np.abs(sound).max(), silence])
    return gain * (whole + noise * np.random.default_rng(1).standard_normal(whole.size))


def small_match(*names: str, gain: float = 0.5, structure: str = "one-oscillator") -> MatchResult:
    """Match notes of these names, a semitone apart, with 64 candidates."""
    notes = tuple(
        target_from_signal(played_note(57.0 + i, gain=gain), RATE_HZ, name=name, velocity=90)
        for i, name in enumerate(names or ("reed",))
    )
    return match(Target(notes), structure=structure, evals=64, seed=3, progress=False)
