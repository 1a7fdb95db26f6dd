"""What the losses know of one note of the target.

A candidate is placed so that its onset meets that of the target, but for the few ms that its
place (``note.place`` among the phases) says; both are measured by the same code. The onset is the
sample with which the level of the last millisecond first comes within 40 dB of its own peak. It is
found to the sample, and a level looks back, so that a sound needs no silence ahead: on a grid of
0.25 ms, or with a level that would have to begin before the sound does, the right settings came
out up to 0.5 ms off, two audible steps of the onset term at a hard attack. Noise ahead, or an
attack that isn't quite the voice's, moves it by some ms, which brought bends that aren't there: so
the place is searched.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from matcher.losses import kernels
from matcher.losses.movement import MovementMeter
from matcher.losses.terms import Measures
from matcher.losses.windows import Window, WindowPlan
from shared import ParameterError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shared import Float32Array, FloatArray, Note

__all__ = ["NoteTarget", "find_onset", "velocity_slope_db"]

# Window size and hop in samples at 44.1 kHz, number of mel bands, highest frequency. The long
# windows tell the partials apart, which matters where the ear does so too; the short ones time.
WINDOWS = (
    (4096, 2048, 100, 5_000.0),
    (2048, 1024, 110, 20_000.0),
    (1024, 512, 72, 20_000.0),
    (512, 256, 48, 20_000.0),
    (256, 256, 30, 20_000.0),
    (128, 128, 18, 20_000.0),
)
ONSET_WINDOW = (256, 64, 40, 20_000.0)
ONSET_S = 0.15
ONSET_FRAMES_BEFORE = 2
MOVEMENT_WINDOW = 2  # of WINDOWS: 12 ms steps, partials from 100 Hz on resolved
FLOOR_DB = -80.0
ENVELOPE_FLOOR_DB = -60.0
ENVELOPE_HOP = 20  # short powers: 5 ms
# How much later than its note a candidate may set in: half a second of attack and more.
MARGIN_S = 0.06
# A slow attack comes out of noise, and out of its own grain, some ms later than it began.
PLACE_CYCLE_S = 0.006
# The peak that an attack rises to is looked for this soon: in the whole note, the beats of two
# oscillators would decide where it lies. The short one sees front edges, the long one swells.
ATTACK_SPANS_S = (0.1, 0.6)
BASE_RATE_HZ = 44_100
ONSET_DB = -40.0
# The 1 ms level takes four hops: at the first sample it looks back into so many.
SILENT_HOPS = 4
# Velocity 100 is the voice's reference, 1 the softest: see `amp_env.velocity_db`.
REFERENCE_VELOCITY, VELOCITY_SPAN = 100, 99


class NoteTarget:
    """What the losses know of one note of the target; immutable, shared by all threads.

    Parameters
    ----------
    signal : np.ndarray, shape=(n_samples,)
        The recorded note, trimmed, at least 50 ms of it after the onset.
    sample_rate_hz : int
        Sampling rate in Hz; candidates are rendered at the same.
    midi_pitch : float, 0 to 127
        Nominal pitch, around which pitch is tracked.
    gate_s : float >= 0, optional
        How long the key is held, in seconds; the whole sound if left out.
    floor_db : float < 0
        Level under the loudest band below which nothing counts; raise it to the noise floor of
        a noisy recording.
    top_hz : float > 0, optional
        Nothing above is compared, as the recording has lost it.

    Raises
    ------
    ParameterError
        If the signal is silent, not finite, or has no 50 ms after its onset.
    """

    def __init__(
        self,
        signal: FloatArray,
        *,
        sample_rate_hz: int,
        midi_pitch: float = 60.0,
        gate_s: float | None = None,
        floor_db: float = FLOOR_DB,
        top_hz: float | None = None,
    ) -> None:
        rows = np.asarray(signal, dtype=np.float32)
        if rows.ndim != 1 or not np.all(np.isfinite(rows)) or not np.any(rows):
            raise ParameterError(
                f"signal has shape {rows.shape}; it must be finite samples "
                "of one channel, not all zero.",
                name="signal",
            )
        self.sample_rate_hz, self.floor_db = sample_rate_hz, floor_db
        self.factor: float = 2.0 ** round(np.log2(sample_rate_hz / BASE_RATE_HZ))
        self.lead = self._samples(WINDOWS[0][0]) // 2
        self.hop: int = max(2, round(sample_rate_hz / 4000))
        self.source_onset = onset = self._onset(rows)
        self.n_signal = len(rows)
        self.n_after = len(rows) - onset
        if self.n_after < 0.05 * sample_rate_hz:
            raise ParameterError(
                f"signal has {1000 * self.n_after / sample_rate_hz:.0f} ms after its onset; "
                "it must be 50 ms or more.",
                name="signal",
            )
        self.n_render = self.n_after + round(MARGIN_S * sample_rate_hz)
        self.n_placed = self.lead + self.n_after + 2 * self.lead
        # The longest hop plus a window may reach past the end by less than this.
        self.n_behind = self._samples(2 * WINDOWS[0][0])
        placed = np.zeros(self.n_placed + self.n_behind, np.float32)
        first = max(onset - self.lead, 0)
        piece = rows[first:]
        at = self.lead - (onset - first)
        placed[at : at + len(piece)] = piece
        self.energy = kernels.energy(placed)
        self.top_hz = top_hz
        self._analyse(placed, midi_pitch, gate_s, floor_db)

    def _analyse(
        self, placed: Float32Array, midi_pitch: float, gate_s: float | None, floor_db: float
    ) -> None:
        """Measure the target as candidates are measured."""
        rate = self.sample_rate_hz
        analyse = partial(Window.of_target, placed, sample_rate_hz=rate, floor_db=floor_db)
        self.windows = tuple(analyse(self._plan(spec, self.n_after, 0)) for spec in WINDOWS)
        n_onset = min(round(ONSET_S * rate), self.n_after)
        self.onset = analyse(self._plan(ONSET_WINDOW, n_onset, ONSET_FRAMES_BEFORE))
        flux = np.empty(len(self.onset.levels) - 1, np.float32)
        kernels.flux(self.onset.levels, flux)
        self.make_movement = partial(
            MovementMeter,
            midi_pitch=midi_pitch,
            gate_s=self.n_after / rate if gate_s is None else gate_s,
            sound_s=self.n_after / rate,
            sample_rate_hz=rate,
            lead=self.lead,
            frame_hop=self.windows[MOVEMENT_WINDOW].plan.hop,
        )
        powers = np.empty(len(placed) // self.hop, np.float32)
        kernels.short_powers(placed, self.hop, powers)
        self.envelope_start = self.lead // self.hop - 2 * ENVELOPE_HOP
        envelope = np.empty(2 + self.n_after // (self.hop * ENVELOPE_HOP), np.float32)
        place = self.envelope_start, ENVELOPE_HOP, 1.0
        kernels.envelope_levels(powers, *place, 1e-30, envelope)
        self.envelope_floor = 10.0 ** ((float(np.max(envelope)) + ENVELOPE_FLOOR_DB) / 10.0)
        kernels.envelope_levels(powers, *place, self.envelope_floor, envelope)
        self.attack_start = self.lead // self.hop - 8
        limits = (round(span_s * rate) for span_s in ATTACK_SPANS_S)
        self.attack_spans = tuple(min(limit, self.n_after) // self.hop for limit in limits)
        self.measures = Measures(
            levels=tuple(window.levels for window in self.windows),
            amplitudes=tuple(window.amplitudes for window in self.windows),
            onset_levels=self.onset.levels,
            onset_flux=flux,
            attack_hops=self.measure_attacks(powers),
            envelope=envelope,
            movement=self.make_movement().measure(self.windows[MOVEMENT_WINDOW].levels, placed),
        )

    def place(self, sound: Float32Array, place_cycles: float = 0.0) -> FloatArray:
        """Put a candidate, from note start on, on the timeline and at the energy of the target."""
        placed = self._shifted(sound, place_cycles)
        power = float(np.sum(placed**2))
        return placed * (self.energy / power) ** 0.5 if power > 0.0 else placed

    def gain_db(self, sound: Float32Array) -> float:
        """Say which gain in dB brings a candidate to the target's energy; 0 for silence."""
        power = float(np.sum(self._shifted(sound) ** 2))
        return float(10.0 * np.log10(self.energy / power)) if power > 0.0 else 0.0

    def samples_later(self, place_cycles: float) -> int:
        """Say how much later a candidate is placed than where its onset meets the target's."""
        turned = (place_cycles + 0.5) % 1.0 - 0.5
        return round(turned * PLACE_CYCLE_S * self.sample_rate_hz)

    @property
    def n_earlier(self) -> int:
        """How many samples a candidate may be placed earlier or later at most."""
        return round(0.5 * PLACE_CYCLE_S * self.sample_rate_hz)

    def _shifted(self, sound: Float32Array, place_cycles: float = 0.0) -> FloatArray:
        """Put a candidate on the timeline of the target's signal, shape (n_signal,)."""
        shift = self.source_onset - min(self._onset(sound), self.n_render - self.n_after)
        shift += self.samples_later(place_cycles)
        placed = np.zeros(self.n_signal)
        piece = sound[max(-shift, 0) :][: self.n_signal - max(shift, 0)]
        placed[max(shift, 0) : max(shift, 0) + len(piece)] = piece
        return placed

    def _samples(self, n_at_base_rate: int) -> int:
        """Scale a window size or hop to the sampling rate."""
        return max(1, round(n_at_base_rate * self.factor))

    def _onset(self, signal: Float32Array) -> int:
        """Find the onset of a sound that has no silence ahead."""
        padded = np.concatenate([np.zeros(SILENT_HOPS * self.hop, np.float32), signal])
        return find_onset(padded, self.hop, np.empty(len(padded) // self.hop, np.float32))

    def _plan(
        self, spec: tuple[int, int, int, float], n_samples: int, n_before: int
    ) -> WindowPlan:
        """Lay out the frames of one window size; frame `n_before` is centred on the onset."""
        n_fft, hop = self._samples(spec[0]), self._samples(spec[1])
        start = self.lead - n_fft // 2 - n_before * hop
        # What a codec has taken away isn't compared.
        top_hz = min(spec[3], self.top_hz or spec[3])
        return WindowPlan(n_fft, hop, spec[2], top_hz, start, 1 + n_before + n_samples // hop)

    def measure_attacks(self, powers: Float32Array) -> tuple[float, ...]:
        """Attack times in short powers, to the peak within each of `ATTACK_SPANS_S`."""
        start = self.attack_start
        return tuple(
            kernels.attack_hops(powers, start, span, kernels.loudest(powers, start, span))
            for span in self.attack_spans
        )


def find_onset(padded: Float32Array, hop: int, powers: Float32Array) -> int:
    """Find the onset of a sound behind ``SILENT_HOPS * hop`` zeros, counted from their end.

    `hop` is a quarter of the 1 ms level, `powers` a buffer for the short powers; 0 if there is
    no sound.
    """
    peak = kernels.short_powers(padded, hop, powers)
    threshold = peak * 10.0 ** (ONSET_DB / 10.0)
    coarse = kernels.onset_hop(powers, threshold)
    if coarse == 0:
        return 0
    # Its level takes as many samples as there are zeros, and ends with the onset.
    return int(kernels.onset_sample(padded, hop, coarse, threshold)) - 1


def velocity_slope_db(gains_db: FloatArray, notes: Sequence[Note]) -> float | None:
    """Say by how much `amp_env.velocity_db` has to change to set the levels between the notes.

    The losses scale each candidate to the energy of its note, so absolute level is never seen.
    What a target of several notes tells besides is how their levels differ: one gain, the fader,
    is common to all notes, and what is left after it is the patch's. One parameter answers for
    it alone: `amp_env.velocity_db` is a gain behind everything else, ``velocity_db *
    (velocity - 100) / 99`` in dB. So it isn't searched, but found by least squares: within keys
    where a key was recorded at several velocities, over all notes otherwise, as levels of
    different keys differ by the body of an instrument, too.

    Parameters
    ----------
    gains_db : np.ndarray, shape=(n_notes,), dtype=float64
        Gain in dB that brings the patch, as it is, to the energy of each note.
    notes : sequence of Note
        Pitch and velocity of the notes.

    Returns
    -------
    float or None
        Change of the parameter in dB; None if the notes have one velocity.
    """
    drive = np.array([(note.velocity - REFERENCE_VELOCITY) / VELOCITY_SPAN for note in notes])
    keys = np.array([round(note.midi_pitch) for note in notes])
    within = [np.flatnonzero(keys == key) for key in np.unique(keys)]
    groups = [places for places in within if np.ptp(drive[places]) > 0.0]
    if not groups:
        groups = [np.arange(len(notes))]
    above = np.concatenate([drive[places] - drive[places].mean() for places in groups])
    louder = np.concatenate([gains_db[places] - gains_db[places].mean() for places in groups])
    power = float(above @ above)
    return float(above @ louder) / power if power > 0.0 else None
