"""What every demo instrument is made of: a take, chance, effort, and sines added up.

Every partial is a sine of its own, with its own level and drift over time. Bodies, noise and
the room are left to `bodies`; what an instrument does with all this to `winds` and `strings`.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.interpolate import CubicSpline

from shared.units import (
    cents_to_ratio,
    db_to_amplitude,
    midi_to_hz,
    samples_to_seconds,
    seconds_to_samples,
)

if TYPE_CHECKING:
    from shared.notes import Note
    from shared.types import FloatArray

SAMPLE_RATE_HZ = 44_100
# Control values every 0.73 ms: short against the fastest attack made here (4 ms).
CONTROL_STEP = 32
# Partials fade out over this range, so that nothing folds back at 22.05 kHz.
TOP_HZ = (15_000.0, 18_000.0)


@dataclass(frozen=True)
class Take:
    """One note as it is played into the microphone."""

    instrument: str
    note: Note
    onset_s: float
    duration_s: float

    @property
    def n_samples(self) -> int:
        """Length of the file in samples."""
        return seconds_to_samples(self.duration_s, SAMPLE_RATE_HZ)

    @property
    def times_s(self) -> FloatArray:
        """Control times in s after the onset, shape=(n_control,)."""
        n_control = self.n_samples // CONTROL_STEP + 2
        samples = np.arange(n_control, dtype=np.float64) * CONTROL_STEP
        return samples_to_seconds(samples, SAMPLE_RATE_HZ) - self.onset_s

    @property
    def pitch_hz(self) -> float:
        """Nominal fundamental in Hz."""
        return midi_to_hz(float(self.note.midi_pitch))

    def dice(self, *names: str | int) -> Dice:
        """Return the random numbers of one thing in this take, such as player 2."""
        return Dice(self.instrument, self.note.midi_pitch, self.note.velocity, *names)

    def harmonics(self, highest_hz: float, most: int) -> FloatArray:
        """Return 1, 2, 3 and so on up to `highest_hz`, `most` of them at most."""
        return np.arange(1.0, 1.0 + min(int(highest_hz / self.pitch_hz), most))


class Dice:
    """Random numbers that stay the same whatever the version of numpy."""

    def __init__(self, *names: str | float) -> None:
        key = "/".join(str(name) for name in names)
        self._bits = np.random.PCG64(zlib.crc32(key.encode()))

    def uniform(self, low: float, high: float, n_values: int) -> FloatArray:
        """Return evenly spread numbers from `low` to below `high`, shape=(n_values,)."""
        # The upper 53 bits, as many as a float64 holds.
        raw = np.asarray(self._bits.random_raw(n_values)) >> np.uint64(11)
        spread: FloatArray = low + (high - low) * raw.astype(np.float64) * 2.0**-53
        return spread

    def one(self, low: float, high: float) -> float:
        """Return one number from `low` to below `high`."""
        return float(self.uniform(low, high, 1)[0])

    def normal(self, n_values: int) -> FloatArray:
        """Return normal numbers of mean 0 and deviation 1, shape=(n_values,).

        The transform is that of Box & Muller, "A note on the generation of random normal
        deviates", Annals of Mathematical Statistics 29, 1958.
        """
        radius = np.sqrt(-2.0 * np.log1p(-self.uniform(0.0, 1.0, n_values)))
        bell: FloatArray = radius * np.cos(2.0 * np.pi * self.uniform(0.0, 1.0, n_values))
        return bell


def drift(dice: Dice, times_s: FloatArray, *, bandwidth_hz: float) -> FloatArray:
    """Return a smooth random curve of mean 0 and about unit deviation."""
    span_s = float(times_s[-1] - times_s[0])
    n_knots = int(np.ceil(span_s * 2.0 * bandwidth_hz)) + 4
    knots_s = times_s[0] + (np.arange(n_knots) - 1.0) / (2.0 * bandwidth_hz)
    curve = np.asarray(CubicSpline(knots_s, dice.normal(n_knots))(times_s), dtype=np.float64)
    centred: FloatArray = curve - curve.mean()
    return centred


def drifts(dice: Dice, times_s: FloatArray, n_curves: int, *, bandwidth_hz: float) -> FloatArray:
    """Return `n_curves` independent curves of `drift`, shape=(n_curves, n_control)."""
    return np.stack([drift(dice, times_s, bandwidth_hz=bandwidth_hz) for _ in range(n_curves)])


def wavering(dice: Dice, times_s: FloatArray, n_partials: int, *, shimmer_db: float) -> FloatArray:
    """Return gains with which partials come and go one by one, upper ones more."""
    more = 0.4 + 0.6 * np.minimum(np.arange(n_partials) / 10.0, 1.5)
    curves = drifts(dice, times_s, n_partials, bandwidth_hz=5.0)
    return db_to_amplitude(shimmer_db * more[:, None] * curves)


def breath(times_s: FloatArray, *, gate_s: float, attack_s: float, release_s: float) -> FloatArray:
    """Return the effort of a player: a rounded rise, a plateau of 1, a rounded fall."""
    rise = np.sin(0.5 * np.pi * np.clip(times_s / attack_s, 0.0, 1.0)) ** 2
    after = np.maximum(times_s - gate_s, 0.0) / release_s
    # x^2 / (x + 0.5) is flat at the end of the gate and a plain exponential later.
    effort: FloatArray = rise * np.exp(-(after**2) / (after + 0.5))
    return effort


def fading(times_s: FloatArray, decay_s: float) -> FloatArray:
    """Return 1 up to time 0, then an exponential decay of time constant `decay_s`."""
    decay: FloatArray = np.exp(-np.maximum(times_s, 0.0) / decay_s)
    return decay


def ramp(times_s: FloatArray, start_s: float, full_s: float) -> FloatArray:
    """Return 0 up to `start_s`, a straight line, and 1 from `full_s`."""
    weight: FloatArray = np.clip((times_s - start_s) / (full_s - start_s), 0.0, 1.0)
    return weight


def swing(times_s: FloatArray, rate_hz: FloatArray, start_cycles: float) -> FloatArray:
    """Return a sine whose rate moves, such as a vibrato, from -1 to 1."""
    cycles = start_cycles + np.cumsum(rate_hz) * (times_s[1] - times_s[0])
    wave: FloatArray = np.sin(2.0 * np.pi * cycles)
    return wave


def tone(
    take: Take,
    dice: Dice,
    cents: FloatArray,
    levels: FloatArray,
    *,
    ratios: FloatArray,
    wander_cents: float,
    phases_cycles: tuple[float, float],
) -> FloatArray:
    """Add up sines, each with its own level and pitch over time."""
    at = np.arange(take.n_samples) / CONTROL_STEP
    control = np.arange(cents.size)
    # Each player's pulses start at a moment of their own.
    phases = dice.one(0.0, 1.0) * ratios + dice.uniform(*phases_cycles, ratios.size)
    places_hz = (
        take.pitch_hz
        * ratios[:, None]
        * cents_to_ratio(
            cents + wander_cents * drifts(dice, take.times_s, ratios.size, bandwidth_hz=3.0)
        )
    )
    heard = levels * (1.0 - ramp(places_hz, *TOP_HZ))
    signal = np.zeros(take.n_samples)
    for place_hz, level, phase in zip(places_hz, heard, phases, strict=True):
        cycles = np.cumsum(np.interp(at, control, place_hz)) / SAMPLE_RATE_HZ
        signal += np.interp(at, control, level) * np.sin(2.0 * np.pi * (cycles + phase))
    return signal
