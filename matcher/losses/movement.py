"""Movement of pitch and brightness: what vibrato, pulse-width modulation and beating leave.

Two recordings of one patch differ in the phases of its LFOs and oscillators, and no ear minds.
So movement is compared by modulation spectra, the magnitudes of the Fourier transform of a track
over time, which don't know phase: of every mel band's level, and of the pitch track, from 0.5 to
20 Hz over the held part of the note [1]_. Pitch itself is compared as slow tracks in cents, so
that a vibrato does not count there.

The pitch track is made by heterodyning: the signal, shifted down by a whole multiple of the
nominal pitch and averaged over whole periods, leaves one slowly turning complex number for each
partial; its turning is the deviation from the nominal pitch. Partials are joined by their power.

References
----------
.. [1] S. D. Ewert and T. Dau, "Characterizing frequency selectivity for envelope fluctuations",
   J. Acoust. Soc. Am. 108, 2000 (modulation spectra of band envelopes).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from matcher.losses import kernels
from shared import Float32Array, FloatArray, midi_to_hz

__all__ = ["Movement", "MovementMeter"]

SLOWEST_HZ, FASTEST_HZ = 0.5, 20.0
N_PARTIALS = 3
# Vibrato up to 20 Hz needs steps well under 25 ms; a step holds whole periods.
STEP_S = 0.008
# The attack is judged by the onset parts; movement begins after it.
ATTACK_S = 0.1
SHORTEST_S = 0.25
SLOW_S = 0.15
FEWEST_FRAMES = 8
# A partial this far under the strongest one tells nothing about pitch.
WEAK_DB = -40.0
OCTAVES_TO_CENTS = 1200.0


@dataclass(frozen=True)
class Movement:
    """Movement of one sound: depths in dB (n_rates, n_bands) and in cents (n_rates,) at each rate.

    `slow_cents`, shape (n_steps,), is the slow pitch track against the nominal pitch.
    """

    bands: Float32Array
    pitch: Float32Array
    slow_cents: FloatArray


class MovementMeter:
    """Measures movement in placed sounds of one note, whose onset is the sample `lead`.

    `sound_s` is how long the target sounds after its onset, `frame_hop` the samples from one
    frame of the band levels that are handed in to the next.
    """

    def __init__(
        self,
        *,
        midi_pitch: float,
        gate_s: float,
        sound_s: float,
        sample_rate_hz: int,
        lead: int,
        frame_hop: int,
    ) -> None:
        end_s = min(gate_s, sound_s)
        begin_s = min(ATTACK_S, end_s / 2)
        self.is_long_enough = end_s - begin_s >= SHORTEST_S
        rate = sample_rate_hz
        self._frames = slice(round(begin_s * rate / frame_hop), round(end_s * rate / frame_hop))
        self._transform = _transform(
            self._frames.stop - self._frames.start,
            frame_hop / rate,
            is_long_enough=self.is_long_enough,
        )
        pitch_hz = float(midi_to_hz(midi_pitch))
        period = rate / pitch_hz
        self._step = max(1, round(max(1, round(STEP_S * rate / period)) * period))
        n_steps = max(2, int(end_s * rate) // self._step)
        self._lead = lead
        step_s = self._step / rate
        self._steps = slice(round(begin_s / step_s), n_steps - 1)
        self._pitch_transform = _transform(
            self._steps.stop - self._steps.start, step_s, is_long_enough=self.is_long_enough
        )
        time = np.arange(n_steps * self._step) / rate
        # A key above half the rate has no partial that could be heard; its alias does no harm.
        partials = [k for k in range(1, N_PARTIALS + 1) if k * pitch_hz < 0.4 * rate] or [1]
        turns = [2.0 * np.pi * k * pitch_hz * time for k in partials]
        self._cosines = np.array([np.cos(turn) for turn in turns], dtype=np.float32)
        self._sines = np.array([-np.sin(turn) for turn in turns], dtype=np.float32)
        self._hz_per_turn = 1.0 / (step_s * np.array(partials))
        self._pitch_hz = pitch_hz
        self._n_slow = max(1, min(round(SLOW_S / step_s), n_steps - 1))
        self._sums = np.empty((2, len(partials), n_steps), np.float64)

    def measure(self, levels: Float32Array, placed: Float32Array) -> Movement:
        """Measure one sound; depths are zeros where the note is too short to move.

        `levels` are band levels in dB, shape (n_frames, n_bands), with frame 0 at the onset.
        """
        bands = _depths(self._transform, levels[self._frames])
        cents = self._pitch_track(placed)
        track = cents[self._steps, None].astype(np.float32)
        pitch = _depths(self._pitch_transform, track)[:, 0]
        running = np.convolve(cents, np.full(self._n_slow, 1.0 / self._n_slow), mode="valid")
        return Movement(bands, pitch, running)

    def _pitch_track(self, placed: Float32Array) -> FloatArray:
        """Deviation from the nominal pitch in cents, step by step, shape (n_steps - 1,)."""
        kernels.heterodyne(
            placed[self._lead :], self._cosines, self._sines, self._step, self._sums
        )
        phasors = self._sums[0] + 1j * self._sums[1]
        products = phasors[:, 1:] * np.conj(phasors[:, :-1])
        power = np.abs(products)
        power = np.where(power > np.max(power) * 10.0 ** (WEAK_DB / 10.0), power, 0.0)
        turns = np.angle(products) / (2.0 * np.pi)
        total = power.sum(axis=0)
        hz = (power * turns * self._hz_per_turn[:, None]).sum(axis=0) / np.maximum(total, 1e-30)
        ratio = np.maximum(1.0 + hz / self._pitch_hz, 0.5)
        track: FloatArray = OCTAVES_TO_CENTS * np.log2(ratio)
        return track


def _depths(transform: tuple[Float32Array, Float32Array], tracks: Float32Array) -> Float32Array:
    """Depths of tracks, shape (n_frames, n_tracks), at the rates of a transform."""
    depths = np.empty((len(transform[0]), tracks.shape[1]), np.float32)
    kernels.movement_depths(*transform, tracks, depths)
    return depths


def _transform(
    n_frames: int, step_s: float, *, is_long_enough: bool
) -> tuple[Float32Array, Float32Array]:
    """Fourier transform of a track at the modulation rates, mean and trend taken off.

    A sine of amplitude 1 gives about 1 at its rate. Returns real and imaginary parts, shape
    (n_rates, n_frames); no rates if the track is too short.
    """
    if not is_long_enough or n_frames < FEWEST_FRAMES:
        empty = np.zeros((0, max(n_frames, 0)), dtype=np.float32)
        return empty, empty
    time = np.arange(n_frames) * step_s
    window = np.hanning(n_frames + 2)[1:-1]
    fastest = min(FASTEST_HZ, 0.45 / step_s)
    # Half the resolution of the window: neighbours overlap, so a rate between them counts.
    rates = np.arange(SLOWEST_HZ, fastest, max(0.5 / time[-1], 0.25))
    waves = np.exp(-2j * np.pi * rates[:, None] * time) * (2.0 * window / window.sum())
    trend = np.stack([np.ones(n_frames), time - time.mean()], axis=1)
    # Subtracting the fitted line is linear too: T (I - L pinv(L)).
    waves = waves - (waves @ trend) @ np.linalg.pinv(trend)
    return (
        np.ascontiguousarray(waves.real, dtype=np.float32),
        np.ascontiguousarray(waves.imag, dtype=np.float32),
    )
