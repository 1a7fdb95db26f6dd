"""What surrounds the partials: bodies and mutes, breath and bow noise, and the pit itself."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from scipy.signal import fftconvolve

from shared.units import db_to_amplitude, seconds_to_samples
from targets.partials import CONTROL_STEP, SAMPLE_RATE_HZ, Dice, fading

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from shared.types import FloatArray
    from targets.partials import Take

Peak = tuple[float, float, float]

PIT_LENGTH_S = 0.5
# Low and high edge in Hz, and time to -60 dB in s: a small dead pit with drapes, which take
# the top first (common practice, no source).
PIT_BANDS = ((80.0, 500.0, 0.45), (500.0, 2_500.0, 0.36), (2_500.0, 7_000.0, 0.22))
PIT_REFLECTIONS_DB = (-20.0, -22.0, -23.0, -25.0, -26.0)
# The tail against the direct sound, in energy: a close microphone.
PIT_TAIL_DB = -15.0


def formants(frequency_hz: FloatArray, peaks: Iterable[Peak]) -> FloatArray:
    """Return the gain of a body or mute that lifts a few regions."""
    octaves = np.log2(frequency_hz)
    lift_db = np.zeros_like(octaves)
    for centre_hz, width_octaves, peak_db in peaks:
        distance = (octaves - np.log2(centre_hz)) / width_octaves
        lift_db += peak_db * np.exp(-0.5 * distance**2)
    return db_to_amplitude(lift_db)


def ripple(instrument: str, part: str | int, *, depth_db: float) -> list[Peak]:
    """Return the many narrow modes of a body, as peaks for `formants`.

    Vibrato sweeps partials over such modes, which moves their levels one by one (Fletcher &
    Sanders, "Quality of violin vibrato tones", J. Acoust. Soc. Am. 41, 1967, from memory).
    """
    dice = Dice(instrument, "body", part)
    n_modes = 33
    place_octaves = np.linspace(np.log2(200.0), np.log2(9_000.0), n_modes)
    centres_hz = np.exp2(place_octaves + dice.uniform(-0.08, 0.08, n_modes))
    widths_octaves = dice.uniform(0.04, 0.11, n_modes)
    lifts_db = depth_db * dice.normal(n_modes)
    return [
        (float(centre), float(width), float(lift))
        for centre, width, lift in zip(centres_hz, widths_octaves, lifts_db, strict=True)
    ]


def band(frequency_hz: FloatArray, *, low_hz: float, high_hz: float, order: float) -> FloatArray:
    """Return the gain of a gentle band-pass that falls by 6 dB per octave times `order`."""
    below = (low_hz / frequency_hz) ** 2
    above = (frequency_hz / high_hz) ** 2
    gain: FloatArray = ((1.0 + below) * (1.0 + above)) ** (-0.5 * order)
    return gain


def coloured_noise(
    dice: Dice, n_samples: int, colour: Callable[[FloatArray], FloatArray]
) -> FloatArray:
    """Return Gaussian noise of unit RMS, shape=(n_samples,), shaped by `colour` over Hz."""
    frequency_hz = np.maximum(np.fft.rfftfreq(n_samples, 1.0 / SAMPLE_RATE_HZ), 1.0)
    spectrum = np.fft.rfft(dice.normal(n_samples)) * colour(frequency_hz)
    noise: FloatArray = np.fft.irfft(spectrum, n_samples)
    noise /= noise.std()
    return noise


def noise_of(
    take: Take, dice: Dice, level: FloatArray, colour: Callable[[FloatArray], FloatArray]
) -> FloatArray:
    """Return the noise of a player over time."""
    at = np.arange(take.n_samples) / CONTROL_STEP
    follows = np.interp(at, np.arange(level.size), level)
    noise: FloatArray = coloured_noise(dice, take.n_samples, colour) * follows
    return noise


def pit_response() -> FloatArray:
    """Return the impulse response of the pit."""
    dice = Dice("pit")
    n_samples = seconds_to_samples(PIT_LENGTH_S, SAMPLE_RATE_HZ)
    times_s = np.arange(n_samples) / SAMPLE_RATE_HZ
    tail = np.zeros(n_samples)
    for low_hz, high_hz, decay_s in PIT_BANDS:
        noise = coloured_noise(dice, n_samples, partial(_pit_band, low_hz=low_hz, high_hz=high_hz))
        # Unit RMS in each band would pile most of the tail up in the narrow bass.
        tail += noise * np.sqrt(high_hz - low_hz) * np.power(10.0, -3.0 * times_s / decay_s)
    # Reflections get dense over about 15 ms.
    tail *= 1.0 - fading(times_s, 0.015)
    tail *= db_to_amplitude(PIT_TAIL_DB) / np.sqrt(np.sum(tail**2))
    places_s = dice.uniform(0.004, 0.025, len(PIT_REFLECTIONS_DB))
    for place_s, level_db in zip(places_s, PIT_REFLECTIONS_DB, strict=True):
        tail[seconds_to_samples(float(place_s), SAMPLE_RATE_HZ)] += db_to_amplitude(level_db)
    tail[0] = 1.0
    return tail


def _pit_band(frequency_hz: FloatArray, *, low_hz: float, high_hz: float) -> FloatArray:
    """Return one band of the room."""
    return band(frequency_hz, low_hz=low_hz, high_hz=high_hz, order=2.0)


def _room_tone(frequency_hz: FloatArray) -> FloatArray:
    """Return the colour of air handling and a distant audience: it falls from 60 Hz on."""
    return band(frequency_hz, low_hz=60.0, high_hz=900.0, order=1.0)


def in_the_pit(take: Take, dry: FloatArray, *, peak_dbfs: float, floor_dbfs: float) -> FloatArray:
    """Place a dry instrument in the pit and set its level."""
    wet = fftconvolve(dry, pit_response())[: take.n_samples]
    wet *= db_to_amplitude(peak_dbfs) / np.abs(wet).max()
    floor = coloured_noise(take.dice("floor"), take.n_samples, _room_tone)
    recorded: FloatArray = wet + db_to_amplitude(floor_dbfs) * floor
    return recorded
