"""Tuning and vibrato, from the pitch of a note over time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.calibrating.fitting import best_fit
from matcher.calibrating.model import Measured
from matcher.calibrating.partials import held_span
from matcher.target.harmonics import window_length_s
from shared import TargetError, midi_to_hz, ratio_to_cents

if TYPE_CHECKING:
    from matcher.target import TargetNote
    from shared import FloatArray

__all__ = ["fit_tuning", "fit_vibrato"]

VOICED_RATIO = 0.5
LARGEST_CENTS = 100.0


def fit_tuning(note: TargetNote) -> Measured:
    """Measure how far a note is off its key.

    Parameters
    ----------
    note : TargetNote
        A steady note of one oscillator.

    Returns
    -------
    Measured
        Cents above (or below) the key that was played.

    Raises
    ------
    TargetError
        If no pitch is heard.
    """
    times_s, cents = _held_cents(note)
    n_independent = max(2.0, (times_s[-1] - times_s[0]) / _window_s(note))
    value = float(np.median(cents))
    error = float(np.std(cents) / np.sqrt(n_independent))
    text = f"the note is {value:+.0f} cents off its key: was it this key (--pitch)?"
    remarks = (text,) if abs(value) > LARGEST_CENTS else ()
    return Measured(value, max(error, 0.05), remarks)


def fit_vibrato(note: TargetNote) -> dict[str, Measured]:
    """Fit a sine to the pitch.

    Parameters
    ----------
    note : TargetNote
        A note with vibrato and no delay of it.

    Returns
    -------
    dict of str to Measured
        ``rate_hz`` and ``depth_cents``.

    Raises
    ------
    TargetError
        If no pitch, or no vibrato, is heard.
    """
    times_s, cents = _held_cents(note)
    span_s = float(times_s[-1] - times_s[0])
    rate_hz = note.analysis.vibrato_rate_hz or _strongest_rate(times_s, cents)
    if rate_hz is None:
        raise TargetError(
            f"in {note.name} no vibrato is heard over {span_s:.1f} s; two cycles or more are "
            "needed. Hold the key longer, with more depth.",
            name="vibrato",
        )
    window_s = _window_s(note)

    def residuals(x: FloatArray) -> FloatArray:
        angle = 2.0 * np.pi * x[0] * times_s
        return np.asarray(cents - x[1] - x[2] * np.sin(angle) - x[3] * np.cos(angle))

    low = np.array([0.05, -2400.0, -2400.0, -2400.0])
    high = np.array([20.0, 2400.0, 2400.0, 2400.0])
    size = float(np.std(cents)) * np.sqrt(2.0)
    starts = [
        np.array([rate_hz, float(np.mean(cents)), size * np.sin(a), size * np.cos(a)])
        for a in (0.0, 1.6, 3.1, 4.7)
    ]
    hop_s = float(times_s[1] - times_s[0])
    fit = best_fit(residuals, starts, low, high, correlation=max(1.0, window_s / hop_s))
    depth = float(np.hypot(fit.values[2], fit.values[3]))
    rate = float(fit.values[0])
    # What the window of the pitch takes off: twice measured, the second time correcting the
    # first, as `matcher.target.analyse` puts it.
    lost = 1.0 - np.sinc(rate * window_s) / (1.0 - (rate * window_s) ** 2)
    depth /= float(1.0 - lost**2)
    remarks: tuple[str, ...] = ()
    if rate * span_s < 2.0:
        remarks = (f"only {rate * span_s:.1f} cycles are held: hold the key longer",)
    elif depth < 2.0 * fit.rms:
        remarks = ("the vibrato hardly stands out of the drift of the pitch: more depth",)
    return {
        "rate_hz": Measured(rate, float(fit.errors[0]), remarks),
        "depth_cents": Measured(depth, float(np.hypot(fit.errors[2], fit.errors[3])), remarks),
    }


def _strongest_rate(times_s: FloatArray, cents: FloatArray) -> float | None:
    """Find the rate of the strongest sine, if it explains half of the movement."""
    span_s = times_s[-1] - times_s[0]
    rates = np.arange(max(0.2, 1.5 / span_s), 15.0, 0.05)
    moved = cents - cents.mean()
    total = float(np.sum(moved**2))
    if total == 0.0 or rates.size == 0:
        return None
    turns = np.exp(-2j * np.pi * rates[:, None] * times_s)
    explained = 2.0 * np.abs(turns @ moved) ** 2 / times_s.size
    best = int(np.argmax(explained))
    return float(rates[best]) if explained[best] > 0.5 * total else None


def _held_cents(note: TargetNote) -> tuple[FloatArray, FloatArray]:
    """Return the pitch of the held part in cents against its key."""
    track = note.analysis.pitch_track
    if track is None or note.analysis.pitch_hz is None:
        raise TargetError(
            f"in {note.name} no pitch is heard. Record a steady note of one oscillator.",
            name="pitch",
        )
    start_s, end_s = held_span(note)
    is_held = (track.times_s >= start_s) & (track.times_s <= end_s)
    is_held &= track.voiced_ratio >= VOICED_RATIO
    if is_held.sum() < 8:
        raise TargetError(f"in {note.name} no steady pitch is heard.", name="pitch")
    key_hz = float(midi_to_hz(note.note.midi_pitch))
    return track.times_s[is_held], np.asarray(ratio_to_cents(track.hz[is_held] / key_hz))


def _window_s(note: TargetNote) -> float:
    """Return the length of the window that the pitch was measured under."""
    return window_length_s(note.analysis.pitch_hz or 100.0)
