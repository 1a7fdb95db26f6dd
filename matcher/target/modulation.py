"""Slow movement of a note: vibrato in its pitch, beating between two oscillators.

A vibrato is a sine in the pitch that fades in. Two detuned oscillators make the h-th harmonic
beat at h times the difference of their fundamentals, so one beat rate has to explain several
harmonics at once; neither vibrato nor pulse-width modulation does that, as both move all
harmonics at one rate.

The thresholds are common practice, no source; the tests hold them to known sounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from matcher.target.harmonics import HarmonicTracks
    from shared.types import FloatArray

__all__ = ["Vibrato", "find_beating", "find_vibrato"]

SLOWEST_VIBRATO_HZ = 2.0
FASTEST_VIBRATO_HZ = 12.0
LEAST_DEPTH_CENTS = 3.0
# Share of the pitch's movement that the sine has to explain.
LEAST_SHARE = 0.5
LEAST_CYCLES = 2.0
LONGEST_DELAY_S = 2.0
SLOWEST_BEAT_HZ = 0.2
FASTEST_BEAT_HZ = 15.0
LEAST_HARMONIC_POWER = 1e-5
LEAST_HARMONICS = 3


@dataclass(frozen=True)
class Vibrato:
    """A sine in the pitch.

    Parameters
    ----------
    rate_hz : float
        Rate in Hz.
    depth_cents : float
        Amplitude, to one side, in cents.
    delay_s : float
        When the full depth is reached, counted from the onset, in s; 0 if it is there at once.
    """

    rate_hz: float
    depth_cents: float
    delay_s: float


def find_vibrato(
    times_s: FloatArray, cents: FloatArray, weights: FloatArray, *, window_s: float
) -> Vibrato | None:
    """Fit a sine that fades in to the pitch."""
    is_used = weights > 0.0
    if is_used.sum() < 20:
        return None
    times, values = times_s[is_used], cents[is_used]
    values = np.clip(values - np.median(values), -300.0, 300.0)
    slowest = max(SLOWEST_VIBRATO_HZ, LEAST_CYCLES / (times[-1] - times[0]))
    if slowest >= FASTEST_VIBRATO_HZ:
        return None
    rates = np.arange(slowest, FASTEST_VIBRATO_HZ, 0.1)
    delays = np.linspace(0.0, min(LONGEST_DELAY_S, 0.8 * float(times[-1])), 9)
    rate_hz, delay_s, _, _ = _best_sine(times, values, rates, delays)
    rates = np.linspace(rate_hz - 0.1, rate_hz + 0.1, 21)
    step = float(delays[1] - delays[0])
    delays = np.unique(np.maximum(np.linspace(delay_s - step, delay_s + step, 13), 0.0))
    rate_hz, delay_s, depth, share = _best_sine(times, values, rates, delays)
    # The coarse track and its refinement lose one share each, and the second corrects the first.
    depth /= 1.0 - (1.0 - _window_gain(rate_hz, window_s)) ** 2
    has_cycles = (times[-1] - 0.75 * delay_s) * rate_hz >= LEAST_CYCLES
    if depth < LEAST_DEPTH_CENTS or share < LEAST_SHARE or not has_cycles:
        return None
    return Vibrato(rate_hz, depth, delay_s)


def _fade(times: FloatArray, delay_s: float) -> FloatArray:
    """Return the depth over time: silent for half of the delay, then straight up to 1."""
    if delay_s <= 0.0:
        return np.ones_like(times)
    return np.clip(2.0 * times / delay_s - 1.0, 0.0, 1.0)


def _best_sine(
    times: FloatArray, values: FloatArray, rates: FloatArray, delays: FloatArray
) -> tuple[float, float, float, float]:
    """Return rate, delay, amplitude and explained share of the best faded sine on a slope."""
    middle = times - times.mean()
    trend = np.stack([np.ones_like(times), middle, middle**2], axis=1)
    trend, _ = np.linalg.qr(trend)
    rest = values - trend @ (trend.T @ values)
    total = max(float(rest @ rest), 1e-12)
    best = (float(rates[0]), 0.0, 0.0, 0.0)
    for delay_s in delays:
        fade = _fade(times, float(delay_s))
        for rate_hz in rates:
            angle = 2.0 * np.pi * rate_hz * times
            pair = np.stack([fade * np.cos(angle), fade * np.sin(angle)], axis=1)
            pair = pair - trend @ (trend.T @ pair)
            normal = pair.T @ pair + 1e-9 * np.eye(2)
            solution = np.linalg.solve(normal, pair.T @ rest)
            share = float(solution @ (pair.T @ rest)) / total
            if share > best[3]:
                best = (float(rate_hz), float(delay_s), float(np.hypot(*solution)), share)
    return best


def _window_gain(rate_hz: float, window_s: float) -> float:
    """Return how much of a movement at this rate is left under a Hann window."""
    x = rate_hz * window_s
    if abs(x - 1.0) < 1e-3:
        return 0.5
    return float(max(np.sinc(x) / (1.0 - x * x), 0.3))


def find_beating(tracks: HarmonicTracks, *, start_s: float, end_s: float) -> float | None:
    """Find the beat rate of the fundamental, if the harmonics beat at its multiples."""
    is_used = (tracks.times_s >= start_s) & (tracks.times_s <= end_s)
    times = tracks.times_s[is_used]
    if times.size < 30:
        return None
    powers = np.abs(tracks.amplitudes[:, is_used]) ** 2
    strongest = float(powers.mean(axis=1).max())
    length_s = float(times[-1] - times[0])
    rates = np.arange(SLOWEST_BEAT_HZ, FASTEST_BEAT_HZ, 0.02 / length_s)
    total, count = np.zeros_like(rates), np.zeros_like(rates)
    for number, power in enumerate(powers, start=1):
        if power.mean() <= LEAST_HARMONIC_POWER * strongest:
            continue
        beats = number * rates
        is_seen = (beats * length_s >= LEAST_CYCLES) & (beats <= 0.5 / tracks.window_s)
        total += np.where(is_seen, _explained(times, _flatten(times, power), beats), 0.0)
        count += is_seen
    share = np.where(count >= LEAST_HARMONICS, total / np.maximum(count, 1.0), 0.0)
    best = int(np.argmax(share))
    return float(rates[best]) if share[best] >= LEAST_SHARE else None


def _flatten(times: FloatArray, power: FloatArray) -> FloatArray:
    """Divide a power by its slow exponential course, and take the mean off."""
    log_power = np.log(np.maximum(power, 1e-6 * power.max()))
    middle = times - times.mean()
    course = np.exp(np.polyval(np.polyfit(middle, log_power, 2), middle))
    flat = power / course
    return np.asarray(flat - flat.mean())


def _explained(times: FloatArray, values: FloatArray, rates_hz: FloatArray) -> FloatArray:
    """Return which share of the values' energy a sine of each rate explains."""
    n_fft = 64 << int(values.size).bit_length()
    spectrum = np.abs(np.fft.rfft(values, n_fft)) ** 2
    step_hz = 1.0 / (n_fft * float(times[1] - times[0]))
    power = np.interp(rates_hz, step_hz * np.arange(spectrum.size), spectrum, right=0.0)
    energy = max(float(values @ values), 1e-12)
    return np.asarray(np.minimum(2.0 * power / (values.size * energy), 1.0))
