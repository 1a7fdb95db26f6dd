"""Cutoff, resonance, high-pass, pulse width and level, from the held part of a note.

The oscillator's own partials are known: a sawtooth has 1/n, a pulse of width w has
|sin(pi n w)|/n (Fourier series). What is left is the filter's response, of the prototypes that
the voice has; see `voice.lowpass`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.calibrating.fitting import Fit, Measured, best_fit
from matcher.target.harmonics import harmonic_tracks, steady_track
from shared import TargetError

if TYPE_CHECKING:
    from matcher.target import TargetNote
    from shared import FloatArray

__all__ = [
    "RANGE_DB",
    "HeldPartials",
    "fit_highpass",
    "fit_lowpass",
    "fit_pulse_width",
    "held_partials",
    "held_span",
    "lowpass_db",
    "measure_level",
    "partial_amplitudes",
    "sawtooth_db",
]

HIGHEST_PARTIAL_HZ = 16_000.0
N_MOST = 120
# What lies nearer to the noise is not measured.
ABOVE_NOISE_DB = 12.0
# Beyond this range a recording's own noise and hum speak.
RANGE_DB = 66.0
FRAME_S = 0.01
SHORTEST_HELD_S = 0.12
# An attack settles, and a key is let go, within this time.
MARGIN_S = 0.03
FLOOR = 1e-9
# What moves a partial besides noise: hum, drift, an oscillator's own shape. Common practice, no
# source.
SHAPE_DB = 0.25

FEWEST_PARTIALS = 4
LOWEST_HZ, HIGHEST_HZ = 15.0, 24_000.0
# A cutoff is told by partials that it takes away: this much at least, of the highest one.
LEAST_LOSS_DB = 3.0
_GRID = 60
# Partials times their numbers have an RMS of 0.7 in a pulse.
LARGEST_PULSE_RMS = 0.2


@dataclass(frozen=True, eq=False)
class HeldPartials:
    """Partials of the held part of a note: those that stand out of the noise.

    Their numbers, 1 for the fundamental, frequencies in Hz, levels in dB in any scale, and the
    standard errors of those.
    """

    numbers: FloatArray
    hz: FloatArray
    level_db: FloatArray
    error_db: FloatArray


def held_span(note: TargetNote) -> tuple[float, float]:
    """Return when a note is steady, after attack and before release, in s of its signal."""
    start_s = note.onset_s + min(1.2 * note.analysis.attack_s, 0.5 * note.note.gate_s) + MARGIN_S
    end_s = min(note.onset_s + note.note.gate_s, note.signal.size / note.sample_rate_hz) - MARGIN_S
    if end_s - start_s < SHORTEST_HELD_S:
        raise TargetError(
            f"{note.name} is held for {note.note.gate_s:.2f} s, which leaves too little that is "
            "steady; half a second or more is needed. Hold the key longer.",
            name="gate",
        )
    return start_s, end_s


def partial_amplitudes(
    note: TargetNote, times_s: FloatArray, *, part: float = 1.0
) -> tuple[float, FloatArray]:
    """Measure the multiples of the pitch, or of a part of it, at given times of a note's signal.

    Of half the pitch, every second multiple is a partial and the others lie between them. Returns
    the fundamental in Hz, and amplitudes under a window of four periods, one row a multiple.
    """
    pitch_hz = note.analysis.pitch_hz
    if pitch_hz is None:
        raise TargetError(
            f"in {note.name} no pitch is heard, so its partials can't be measured. Record a "
            "steady note of one oscillator.",
            name="pitch",
        )
    n_partials = max(
        1, min(N_MOST, int(min(HIGHEST_PARTIAL_HZ, 0.4 * note.sample_rate_hz) / pitch_hz))
    )
    tracks = harmonic_tracks(
        note.signal,
        steady_track(times_s, part * pitch_hz),
        sample_rate_hz=note.sample_rate_hz,
        n_harmonics=round(n_partials / part),
    )
    return pitch_hz, np.abs(tracks.amplitudes)


def held_partials(note: TargetNote) -> HeldPartials:
    """Measure the partials of the held part of a note of one oscillator."""
    start_s, end_s = held_span(note)
    times_s = np.arange(start_s, end_s, FRAME_S)
    pitch_hz, amplitudes = partial_amplitudes(note, times_s, part=0.5)
    power = np.mean(amplitudes[1::2] ** 2, axis=1)
    noise_power = np.median(amplitudes[0::2] ** 2, axis=1)
    level_db = 10.0 * np.log10(np.maximum(power, FLOOR**2))
    noise_db = 10.0 * np.log10(np.maximum(noise_power, FLOOR**2))
    stands_out = (level_db > noise_db + ABOVE_NOISE_DB) & (level_db > level_db.max() - RANGE_DB)
    numbers = np.asarray(1.0 + np.flatnonzero(stands_out), dtype=np.float64)
    # Noise of amplitude n beside a partial of amplitude a moves its level by 8.7 n / a dB.
    ratio = 10.0 ** ((noise_db - level_db)[stands_out] / 20.0)
    return HeldPartials(
        numbers,
        numbers * pitch_hz,
        level_db[stands_out],
        np.hypot(SHAPE_DB, 20.0 / np.log(10.0) * ratio / np.sqrt(max(1.0, times_s.size / 4.0))),
    )


def sawtooth_db(numbers: FloatArray) -> FloatArray:
    """Return the levels of a sawtooth's partials in dB, 0 for the fundamental."""
    return np.asarray(-20.0 * np.log10(numbers), dtype=np.float64)


def source_db(partials: HeldPartials, reference: HeldPartials | None) -> FloatArray:
    """Return what comes out of the oscillator, in dB: an ideal sawtooth, or a reference.

    NaN where the reference, the same note with the filter open, has no such partial.
    """
    if reference is None:
        return sawtooth_db(partials.numbers)
    known = dict(zip(reference.numbers.tolist(), reference.level_db.tolist(), strict=True))
    return np.array([known.get(number, np.nan) for number in partials.numbers.tolist()])


def lowpass_db(
    hz: FloatArray, cutoff_hz: float | FloatArray, resonance_ratio: float, slope_db: float
) -> FloatArray:
    """Return the gain of the voice's low-pass prototypes in dB, 0 far below the cutoff."""
    s = 1j * hz / cutoff_hz
    if slope_db == 24.0:
        feedback = 4.0 * resonance_ratio
        loss = np.abs(((1.0 + s) ** 4 + feedback) / (1.0 + feedback))
    else:
        loss = np.abs(s**2 + 2.0 * (1.0 - resonance_ratio) * s + 1.0)
    return np.asarray(-20.0 * np.log10(loss), dtype=np.float64)


def fit_lowpass(
    partials: HeldPartials, reference: HeldPartials | None, *, slope_db: float
) -> tuple[Measured, Measured]:
    """Fit cutoff in Hz and resonance ratio of a sawtooth through a low-pass of a known slope."""
    source = source_db(partials, reference)
    hz, level_db, error_db, source = _usable(partials, source)

    def residuals(x: FloatArray) -> FloatArray:
        model = x[2] + source + lowpass_db(hz, 2.0 ** x[0], x[1], slope_db)
        return np.asarray((level_db - model) / error_db, dtype=np.float64)

    low = np.array([np.log2(LOWEST_HZ), 0.0, -200.0])
    high = np.array([np.log2(HIGHEST_HZ), 0.995, 200.0])
    # From the lowest partial to beyond the highest, dull and resonant.
    octaves = np.linspace(np.log2(0.3 * hz[0]), np.log2(3.0 * hz[-1]), 8)
    starts = [
        np.array([octave, resonance, float(level_db[0] - source[0])])
        for octave in octaves
        for resonance in (0.05, 0.7)
    ]
    fit = best_fit(residuals, starts, low, high, least_variance=1.0)
    cutoff_hz = float(2.0 ** fit.values[0])
    remarks = _filter_remarks(hz, cutoff_hz, fit, slope_db)
    return (
        Measured(cutoff_hz, cutoff_hz * float(np.log(2.0) * fit.errors[0]), remarks),
        Measured(float(fit.values[1]), float(fit.errors[1]), remarks),
    )


def _usable(
    partials: HeldPartials, source: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Keep the partials that both the recording and its source have."""
    is_known = np.isfinite(source)
    if is_known.sum() < FEWEST_PARTIALS:
        raise TargetError(
            f"{int(is_known.sum())} partials stand out of the noise; {FEWEST_PARTIALS} or more "
            "are needed. Record a sawtooth on a lower key, louder.",
            name="partials",
        )
    return (
        partials.hz[is_known],
        partials.level_db[is_known],
        partials.error_db[is_known],
        source[is_known],
    )


def _filter_remarks(
    hz: FloatArray, cutoff_hz: float, fit: Fit, slope_db: float
) -> tuple[str, ...]:
    """Say what the recording does not tell."""
    remarks = []
    loss_db = -float(lowpass_db(hz[-1:], cutoff_hz, 0.0, slope_db)[0])
    if loss_db < LEAST_LOSS_DB:
        remarks.append(
            f"the highest partial, {hz[-1]:.0f} Hz, is hardly softened: the filter is open, and "
            "the cutoff may lie anywhere above"
        )
    if cutoff_hz < 0.8 * hz[0]:
        remarks.append(
            f"the cutoff lies below the fundamental, {hz[0]:.0f} Hz: record a lower key"
        )
    # Residuals are in standard errors.
    if fit.rms > 4.0:
        remarks.append(
            f"the partials lie {fit.rms:.0f} standard errors beside the response of a "
            f"{slope_db:.0f} dB/octave filter: is it a sawtooth alone, without envelope, and is "
            "this the slope? A recording with the filter open helps (--reference)"
        )
    return tuple(remarks)


def fit_highpass(partials: HeldPartials, reference: HeldPartials | None) -> Measured:
    """Fit the corner in Hz of a 6 dB/octave high-pass, with the low-pass open."""
    hz, level_db, error_db, source = _usable(partials, source_db(partials, reference))

    def residuals(x: FloatArray) -> FloatArray:
        model = x[1] + source - 10.0 * np.log10(1.0 + (2.0 ** x[0] / hz) ** 2)
        return np.asarray((level_db - model) / error_db, dtype=np.float64)

    low, high = np.array([2.0, -200.0]), np.array([13.0, 200.0])
    gain = float(level_db[-1] - source[-1])
    starts = [np.array([octave, gain]) for octave in range(3, 13)]
    fit = best_fit(residuals, starts, low, high, least_variance=1.0)
    corner_hz = float(2.0 ** fit.values[0])
    remarks = []
    if corner_hz < 0.3 * hz[0]:
        remarks.append(
            f"the corner lies far below the fundamental, {hz[0]:.0f} Hz: record a lower key"
        )
    return Measured(corner_hz, corner_hz * float(np.log(2.0) * fit.errors[0]), tuple(remarks))


def fit_pulse_width(partials: HeldPartials) -> Measured:
    """Fit the width of a pulse, filters open; w and 1 - w sound alike, so it is 0.5 at most."""
    numbers, level_db = partials.numbers, partials.level_db
    if numbers.size < FEWEST_PARTIALS:
        _usable(partials, np.full_like(numbers, np.nan))
    amplitude = 10.0 ** ((level_db - level_db.max()) / 20.0)

    def residuals(x: FloatArray) -> FloatArray:
        model = x[1] * np.abs(np.sin(np.pi * numbers * x[0])) / numbers
        # Weighted by the number, so that the many high partials count, too.
        return np.asarray((amplitude - model) * numbers, dtype=np.float64)

    # A quarter of a dB, 3 %, of each partial is not the oscillator's.
    error = 0.03
    starts = [np.array([width, 1.0]) for width in np.linspace(0.03, 0.5, _GRID)]
    low, high = np.array([0.01, 0.0]), np.array([0.5, 10.0])
    fit = best_fit(residuals, starts, low, high, least_variance=error**2)
    text = "the partials are not those of a pulse: is the filter open, and nothing else on?"
    remarks: tuple[str, ...] = (text,) if fit.rms > LARGEST_PULSE_RMS else ()
    return Measured(float(fit.values[0]), float(fit.errors[0]), remarks)


def measure_level(note: TargetNote) -> Measured:
    """Measure the level of the held part in full scale; the table makes ratios of it."""
    start_s, end_s = held_span(note)
    track = note.analysis.level_track
    held = track.level_db[(track.times_s >= start_s) & (track.times_s <= end_s)]
    amplitude = 10.0 ** ((note.level_db + held) / 20.0)
    error = float(np.std(amplitude) / np.sqrt(max(2.0, held.size / 40.0)))
    return Measured(float(np.mean(amplitude)), error)
