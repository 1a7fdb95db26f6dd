"""Sounds whose every property is known: sums of sines under known envelopes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared.types import FloatArray

__all__ = [
    "RATE_HZ",
    "adsr",
    "harmonic_tone",
    "harmonics_of_pulse",
    "harmonics_of_saw",
    "key_hz",
    "padded",
    "played_saw",
]

RATE_HZ = 44_100


def key_hz(midi_pitch: float) -> float:
    """Return the frequency of a key: A4, MIDI 69, is 440 Hz (ISO 16), equal temperament."""
    return float(440.0 * 2.0 ** ((midi_pitch - 69.0) / 12.0))


def harmonics_of_saw(pitch_hz: float, rate_hz: int = RATE_HZ) -> dict[int, float]:
    """Return the Fourier series of a sawtooth, 1/h, up to 16 kHz or 0.45 of the rate."""
    highest = min(16_000.0, 0.45 * rate_hz)
    return {h: 1.0 / h for h in range(1, max(2, int(highest / pitch_hz) + 1))}


def harmonics_of_pulse(pitch_hz: float, width: float) -> dict[int, float]:
    """Return the Fourier series of a pulse, sin(pi h width) / h."""
    return {h: float(np.sin(np.pi * h * width) / h) for h in harmonics_of_saw(pitch_hz)}


def harmonic_tone(
    pitch_hz: float,
    harmonics: Mapping[int, float],
    *,
    duration_s: float = 1.0,
    vibrato: tuple[float, float, float] = (5.0, 0.0, 0.0),
    rate_hz: int = RATE_HZ,
) -> FloatArray:
    """Add up sines; the vibrato has rate (Hz), depth (cents, to one side) and delay (s).

    It is silent for the first half of the delay, and rises to its full depth in the second.
    """
    times = np.arange(round(duration_s * rate_hz)) / rate_hz
    rate, depth, delay = vibrato
    fade = np.clip(2.0 * times / delay - 1.0, 0.0, 1.0) if delay else np.ones_like(times)
    cents = depth * fade * np.sin(2.0 * np.pi * rate * times)
    turn = np.exp(2j * np.pi * np.cumsum(pitch_hz * 2.0 ** (cents / 1200.0)) / rate_hz)
    tone, turned = np.zeros(times.size), np.ones(times.size, dtype=np.complex128)
    for number in range(1, max(harmonics) + 1):
        turned *= turn
        if number in harmonics:
            # A phase for each harmonic, so that a period's energy isn't bunched at one moment.
            tone += harmonics[number] * (turned * np.exp(0.7j * number**2)).imag
    return tone


def adsr(
    n_samples: int,
    *,
    gate_s: float,
    attack_s: float = 0.005,
    decay_s: float = 0.3,
    sustain: float = 1.0,
    release_s: float = 0.05,
    rate_hz: int = RATE_HZ,
) -> FloatArray:
    """Return a straight attack, an exponential decay, a sustain and an exponential release."""
    times = np.arange(n_samples) / rate_hz

    def held(at_s: FloatArray) -> FloatArray:
        falling = sustain + (1.0 - sustain) * np.exp(-(at_s - attack_s) / decay_s)
        return np.where(at_s < attack_s, at_s / attack_s, falling)

    at_gate = held(np.array([gate_s]))[0]
    released = at_gate * np.exp(-(times - gate_s) / release_s)
    return np.where(times <= gate_s, held(times), released)


def played_saw(
    midi_pitch: float, *, gate_s: float = 0.8, tail_s: float = 0.5, **envelope: float
) -> FloatArray:
    """Return a sawtooth under an envelope of `adsr`, peak about 0.5, from its very onset on."""
    pitch_hz = key_hz(midi_pitch)
    tone = harmonic_tone(pitch_hz, harmonics_of_saw(pitch_hz), duration_s=gate_s + tail_s)
    tone *= 0.5 / np.abs(tone).max()
    return tone * adsr(tone.size, gate_s=gate_s, **envelope)


def padded(
    signal: FloatArray, *, before_s: float = 0.0, after_s: float = 0.0, rate_hz: int = RATE_HZ
) -> FloatArray:
    """Put silence before and after a sound."""
    return np.pad(signal, (round(before_s * rate_hz), round(after_s * rate_hz)))
