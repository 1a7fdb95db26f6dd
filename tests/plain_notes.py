"""Notes added up from partials, with one thing at a time made different.

They share nothing with our voice: numpy alone, closed forms. Every property is given in hertz and
seconds, so that a note is the same sound at every sampling rate.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from shared import FloatArray

__all__ = ["plain_note"]

LEAD_S = 0.02
HIGHEST_HZ = 9_000.0


def plain_note(
    *,
    attack_s: float = 0.01,
    slope: float = 1.5,
    dip_db: float = 0.0,
    pitch_hz: float = 220.0,
    vibrato_hz: float = 5.0,
    vibrato_cents: float = 0.0,
    vibrato_phase: float = 0.0,
    tremolo_hz: float = 5.0,
    tremolo_db: float = 0.0,
    duration_s: float = 0.6,
    sample_rate_hz: int = 44_100,
) -> FloatArray:
    """Add up a note of harmonic partials after 20 ms of silence."""
    t = np.arange(round((LEAD_S + duration_s) * sample_rate_hz)) / sample_rate_hz - LEAD_S
    numbers = np.arange(1, int(HIGHEST_HZ / pitch_hz) + 1)
    # Schroeder's phases keep the peak low (IEEE Trans. Information Theory 16, 1970).
    phases = np.pi * numbers**2 / len(numbers)
    cents = vibrato_cents * np.sin(2.0 * np.pi * (vibrato_hz * t + vibrato_phase))
    cycles = numbers[:, None] * np.cumsum(pitch_hz * 2.0 ** (cents / 1200.0)) / sample_rate_hz
    wave = (numbers**-slope) @ np.sin(2.0 * np.pi * cycles + phases[:, None])
    rise = np.clip(t / attack_s, 0.0, 1.0)
    fall = np.clip((duration_s - t) / 0.05, 0.0, 1.0)
    hollow = 0.5 + 0.5 * np.cos(2.0 * np.pi * np.clip((t - 0.3) / 0.2, -0.5, 0.5))
    level_db = tremolo_db * np.sin(2.0 * np.pi * tremolo_hz * t) - dip_db * hollow
    return 0.25 * wave * rise * fall * 10.0 ** (level_db / 20.0)
