"""What a note does over time: envelope times, tuning and vibrato.

Of the amplifier from the level, of the filter from a cutoff that moves, of the oscillator from the
pitch.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.calibrating.fitting import Fit, Measured, best_fit
from matcher.calibrating.tone import (
    RANGE_DB,
    held_span,
    lowpass_db,
    partial_amplitudes,
    sawtooth_db,
)
from matcher.target.envelope import LEVEL_HOP_S, level_window_s
from matcher.target.harmonics import window_length_s
from shared import TargetError, midi_to_hz, ratio_to_cents

if TYPE_CHECKING:
    from collections.abc import Callable

    from matcher.target import TargetNote
    from shared import FloatArray

    # Settings, shift and gate in s to what is measured.
    Model = Callable[[FloatArray, float, float], FloatArray]

__all__ = ["fit_amplifier_envelope", "fit_filter_envelope", "fit_tuning", "fit_vibrato"]

# attack, decay, sustain, release: as `voice.adsr_level`, times as logarithms to base 2.
_LOW = np.array([np.log2(0.0003), np.log2(0.002), 0.0, np.log2(0.002)])
_HIGH = np.array([np.log2(8.0), np.log2(30.0), 1.0, np.log2(15.0)])
NAMES = ("attack_s", "decay_s", "sustain_ratio", "release_s")
ATTACK, DECAY, SUSTAIN, RELEASE = range(4)
# Where else a fit begins, besides at the measured settings.
_CHANGES = ((0, 0, 0, 0), (-2, 0, 0, 0), (2, 0, -0.2, 0), (0, -2, -0.3, -1), (1, 2, -0.3, 1))
# The onset was found to about this.
ONSET_SLACK_S = 0.02
GATE_SLACK_S = 0.06
CUTOFF_HOP_S = 0.004
N_CUTOFFS = 241
# With fewer partials a frame tells no cutoff.
FEWEST_IN_FRAME = 3
# A level, and a cutoff in octaves, that lies further beside the fit isn't what it is taken for.
LARGEST_LEVEL_RMS = 0.03
LARGEST_OCTAVES_RMS = 0.12
# Of the time between attack and release; a decay has come down to a seventh after two of its own.
LARGEST_DECAY_RATIO = 0.5
# The error of what doesn't follow an envelope at all is not known; this share at least.
UNKNOWN_ERROR_RATIO = 0.5
_GATE_HINT = "give --held if the key was let go at another time than is heard"
# A decay that falls by less than this can't be told from none.
LEAST_FALL_RATIO = 0.05
VOICED_RATIO = 0.5
# Further off its key, another key was played.
LARGEST_CENTS = 100.0


@dataclass(frozen=True, eq=False)
class _Track:
    """Something that follows an envelope, with the window that it was measured under."""

    times_s: FloatArray
    values: FloatArray
    window: FloatArray
    correlation: float


def _envelope_level(
    times_s: FloatArray, gate_s: float, settings: FloatArray, *, has_release: bool = True
) -> FloatArray:
    """Compute an attack-decay-sustain-release envelope as `voice.adsr_level`, in double precision.

    `settings` are log2 of the attack in s, log2 of the decay, sustain ratio, log2 of the release;
    `has_release` says whether the times go beyond the gate.
    """
    attack, decay, release = 2.0 ** settings[[ATTACK, DECAY, RELEASE]]
    sustain = settings[SUSTAIN]

    def held(t: FloatArray) -> FloatArray:
        falling = sustain + (1.0 - sustain) * np.exp(-np.maximum(t - attack, 0.0) / decay)
        rising = np.maximum(t, 0.0) / attack
        return np.asarray(np.where(t < attack, rising, falling), dtype=np.float64)

    level = held(np.minimum(times_s, gate_s))
    if has_release:
        level = level * np.exp(-np.maximum(times_s - gate_s, 0.0) / release)
    return np.asarray(level, dtype=np.float64)


def fit_amplifier_envelope(note: TargetNote) -> dict[str, Measured]:
    """Fit the level of a note with a filter that doesn't move.

    Returns its ``attack_s``, ``decay_s``, ``sustain_ratio`` and ``release_s``.
    """
    track = note.analysis.level_track
    window_s = level_window_s(note.analysis.pitch_hz)
    n_half = max(1, round(window_s / LEVEL_HOP_S))
    # The level is a mean square under a triangle of twice that length.
    triangle = np.convolve(np.ones(n_half), np.ones(n_half))
    end_s = note.onset_s + note.note.gate_s
    has_release = note.analysis.release_s is not None
    is_used = np.ones(track.times_s.size, bool) if has_release else track.times_s < end_s - 0.01
    amplitude = 10.0 ** (track.level_db[is_used] / 20.0)
    measured = _Track(
        track.times_s[is_used] - note.onset_s,
        amplitude,
        triangle / triangle.sum(),
        2.0 * n_half,
    )
    floor = 10.0 ** (note.noise_floor_db / 10.0)

    def model(settings: FloatArray, shift_s: float, gate_s: float) -> FloatArray:
        level = _envelope_level(
            measured.times_s - shift_s, gate_s - shift_s, settings, has_release=has_release
        )
        return np.asarray(np.sqrt(_smooth(level**2, measured.window) + floor), dtype=np.float64)

    fit = _fit(note, measured, model, has_base=False)
    return _settings(note, fit, window_s, has_release=has_release, largest_rms=LARGEST_LEVEL_RMS)


def fit_filter_envelope(note: TargetNote, *, slope_db: float) -> dict[str, Measured]:
    """Fit the cutoff of a sawtooth while a filter envelope moves it; the amplifier stays open.

    Returns the four settings of the filter envelope and its ``depth_octaves``.
    """
    times_s, octaves, window_s = _cutoff_track(note, slope_db)
    n_window = max(3, round(window_s / CUTOFF_HOP_S)) | 1
    hann = np.hanning(n_window + 2)[1:-1]
    end_s = note.onset_s + note.note.gate_s
    has_release = bool(np.sum(times_s > end_s + 0.03) >= 8)
    measured = _Track(times_s - note.onset_s, octaves, hann / hann.sum(), n_window / 2.0)

    def model(settings: FloatArray, shift_s: float, gate_s: float) -> FloatArray:
        # On an even grid, as frames in which nothing is heard are missing.
        grid = np.arange(-0.05, float(measured.times_s[-1]) + 0.05, CUTOFF_HOP_S)
        level = _envelope_level(
            grid - shift_s, gate_s - shift_s, settings, has_release=has_release
        )
        return np.interp(measured.times_s, grid, _smooth(level, measured.window))

    fit = _fit(note, measured, model, has_base=True)
    found = _settings(
        note, fit, window_s, has_release=has_release, largest_rms=LARGEST_OCTAVES_RMS
    )
    found["depth_octaves"] = Measured(float(fit.values[-1]), float(fit.errors[-1]))
    return found


def _smooth(values: FloatArray, window: FloatArray) -> FloatArray:
    """Average under a window, the ends carried on."""
    n_side = window.size // 2
    padded = np.pad(values, (n_side, window.size - 1 - n_side), mode="edge")
    return np.convolve(padded, window, mode="valid")


def _fit(note: TargetNote, track: _Track, model: Model, *, has_base: bool) -> Fit:
    """Fit the four settings, where the note begins and ends, and scale (and base) of the track."""
    analysis, gate_s = note.analysis, note.note.gate_s
    first = np.array(
        [
            np.log2(max(analysis.attack_s, 0.001)),
            np.log2(analysis.decay_s),
            min(analysis.sustain_ratio, 0.98),
            np.log2(analysis.release_s or 0.1),
        ]
    )
    span = float(track.values.max() - track.values.min())
    base = [float(np.median(track.values[-8:]))] if has_base else []
    slack_s = GATE_SLACK_S if "gate" in note.estimated else 0.004
    scale = [span if has_base else 1.0]

    def residuals(x: FloatArray) -> FloatArray:
        shape = model(x[:4], x[4], x[5])
        offset = x[6] if has_base else 0.0
        return np.asarray(track.values - offset - x[-1] * shape, dtype=np.float64)

    limits = [ONSET_SLACK_S, slack_s]
    low = np.concatenate([_LOW, [-limits[0], gate_s - limits[1]], [0.0] * len(base), [0.0]])
    high = np.concatenate([_HIGH, [limits[0], gate_s + limits[1]], [16.0] * len(base), [12.0]])
    starts = [
        np.concatenate([first + np.array(change), [0.0, gate_s], base, scale])
        for change in _CHANGES
    ]
    return best_fit(residuals, starts, low, high, correlation=track.correlation)


def _settings(
    note: TargetNote, fit: Fit, window_s: float, *, has_release: bool, largest_rms: float
) -> dict[str, Measured]:
    """Turn a fit into settings, with what this note can't tell."""
    attack_s, decay_s, release_s = 2.0 ** fit.values[[ATTACK, DECAY, RELEASE]]
    times = {ATTACK: attack_s, DECAY: decay_s, RELEASE: release_s}
    remarks: dict[int, tuple[str, ...]] = {}
    if attack_s < window_s:
        remarks[ATTACK] = (
            f"an attack under {1000 * window_s:.0f} ms can't be told at this pitch: higher key",
        )
    held_s = max(note.note.gate_s - attack_s, 0.0)
    fallen = (1.0 - fit.values[SUSTAIN]) * (1.0 - np.exp(-held_s / decay_s))
    if fallen < LEAST_FALL_RATIO:
        remarks[DECAY] = ("nothing falls while the key is held: set the sustain to nothing",)
    elif decay_s > LARGEST_DECAY_RATIO * held_s:
        remarks[DECAY] = (
            f"the decay is not over after {note.note.gate_s:.2f} s: hold the key longer",
        )
    if not has_release:
        remarks[RELEASE] = ("the recording ends before the release: let it run on",)
    wrong: tuple[str, ...] = ()
    if fit.rms > largest_rms:
        wrong = (f"{note.name} doesn't follow an envelope of this kind; {_GATE_HINT}",)
    found = {}
    for i, name in enumerate(NAMES):
        value = float(times.get(i, fit.values[i]))
        error = float(fit.errors[i]) * (value * np.log(2.0) if i in times else 1.0)
        if wrong:
            error = max(error, UNKNOWN_ERROR_RATIO * value)
        found[name] = Measured(value, float(error), remarks.get(i, ()) + wrong)
    return found


def _cutoff_track(note: TargetNote, slope_db: float) -> tuple[FloatArray, FloatArray, float]:
    """Follow the cutoff of a sawtooth, as log2 of Hz, where it can be told."""
    last_s = note.signal.size / note.sample_rate_hz
    times_s = np.arange(note.onset_s, last_s, CUTOFF_HOP_S)
    pitch_hz, amplitudes = partial_amplitudes(note, times_s)
    level_db = 20.0 * np.log10(np.maximum(amplitudes, 1e-9))
    range_db = min(RANGE_DB, -note.noise_floor_db)
    is_heard = level_db > level_db.max() - range_db
    numbers = np.arange(1.0, len(amplitudes) + 1.0)
    grid = np.geomspace(0.5 * pitch_hz, 20_000.0, N_CUTOFFS)
    shapes = sawtooth_db(numbers) + lowpass_db(
        numbers[None] * pitch_hz, grid[:, None], 0.0, slope_db
    )
    octaves = np.full(times_s.size, np.nan)
    for frame in range(times_s.size):
        heard = is_heard[:, frame]
        if heard.sum() >= FEWEST_IN_FRAME and not heard.all():
            octaves[frame] = _nearest_cutoff(level_db[heard, frame], shapes[:, heard], grid)
    is_told = np.isfinite(octaves)
    if is_told.sum() < 20:
        raise TargetError(
            f"in {note.name} the cutoff can be followed in {int(is_told.sum())} places; 20 or "
            "more are needed. Record a sawtooth on a low key, with no resonance.",
            name="partials",
        )
    return times_s[is_told], octaves[is_told], window_length_s(pitch_hz)


def _nearest_cutoff(level_db: FloatArray, shapes: FloatArray, grid: FloatArray) -> float:
    """Find the cutoff whose response is nearest, the gain taken out; log2 of Hz."""
    differences = level_db - shapes
    errors = np.var(differences, axis=1)
    best = int(np.clip(np.argmin(errors), 1, len(grid) - 2))
    before, at, after = errors[best - 1 : best + 2]
    bend = before - 2.0 * at + after
    shift = 0.5 * (before - after) / bend if bend > 0.0 else 0.0
    step = np.log2(grid[1] / grid[0])
    return float(np.log2(grid[best]) + np.clip(shift, -1.0, 1.0) * step)


def fit_tuning(note: TargetNote) -> Measured:
    """Measure how many cents a steady note of one oscillator is above (or below) its key."""
    times_s, cents, window_s = _held_cents(note)
    n_independent = max(2.0, (times_s[-1] - times_s[0]) / window_s)
    value = float(np.median(cents))
    error = float(np.std(cents) / np.sqrt(n_independent))
    text = f"the note is {value:+.0f} cents off its key: was it this key (--pitch)?"
    remarks = (text,) if abs(value) > LARGEST_CENTS else ()
    return Measured(value, max(error, 0.05), remarks)


def fit_vibrato(note: TargetNote) -> dict[str, Measured]:
    """Fit a sine to the pitch, and return ``rate_hz`` and ``depth_cents``; no delay of it."""
    times_s, cents, window_s = _held_cents(note)
    span_s = float(times_s[-1] - times_s[0])
    rate_hz = note.analysis.vibrato_rate_hz or _strongest_rate(times_s, cents)
    if rate_hz is None:
        raise TargetError(
            f"in {note.name} no vibrato is heard over {span_s:.1f} s; two cycles or more are "
            "needed. Hold the key longer, with more depth.",
            name="vibrato",
        )

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


def _held_cents(note: TargetNote) -> tuple[FloatArray, FloatArray, float]:
    """Return the pitch of the held part in cents against its key: times, cents, window in s."""
    track, pitch_hz = note.analysis.pitch_track, note.analysis.pitch_hz
    if track is None or pitch_hz is None:
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
    cents = np.asarray(ratio_to_cents(track.hz[is_held] / key_hz))
    return track.times_s[is_held], cents, window_length_s(pitch_hz)
