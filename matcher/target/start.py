"""First values for the search, read off one note.

They are where the search begins, not what it finds: each holds if the sound were made by a
sawtooth through a four-pole filter. What can't be told from the note is left out.

A synthesizer's sawtooth has harmonics at 1/h (its Fourier series); whatever falls faster was
taken away by the filter. So the measured level of each group of harmonics is divided by that
of the same group of a sawtooth, and the cutoff is the one whose four-pole slope fits the rest
best, with the overall level free.

The thresholds are common practice, no source; the tests hold them to known sounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from matcher.target.analyse import power_frames
from matcher.target.harmonics import median_of_five
from shared.catalogue import CATALOGUE
from shared.units import hz_to_midi, samples_to_seconds

if TYPE_CHECKING:
    from matcher.target.model import NoteAnalysis, TargetNote
    from shared.types import FloatArray

__all__ = ["CutoffTrack", "cutoff_track", "first_values", "odd_over_even_db"]

HOLLOW_DB = 15.0
LEAST_ENVELOPE_OCTAVES = 0.5
HEARD_DB = -45.0
# What is quieter at the very beginning is breath and bow noise, which looks bright.
LOUD_DB = -20.0
# A noise this far under the tone is masked by it; common practice, no source.
NOISY_HNR_DB = 15.0
ATTACK_NOISE_DROP_DB = 6.0
ATTACK_NOISE_DECAY_S = 0.05
STEADY_NOISE_DECAY_S = 10.0
LARGEST_TUNE_CENTS = 100.0
LARGEST_OCTAVE = 2
SHORTEST_WINDOW_S = 0.02
N_PERIODS = 4.0
N_SINGLE_HARMONICS = 8
GROUPS_PER_OCTAVE = 6
HIGHEST_HZ = 18_000.0
# Below this under the frame's strongest harmonic, leakage of the Hann window and noise decide.
RANGE_DB = 60.0
CUTOFFS_HZ = np.geomspace(20.0, 20_000.0, 121)
POLES = 4.0


def first_values(note: TargetNote) -> dict[str, float]:
    """Estimate catalogue parameters from a note.

    Parameters
    ----------
    note : TargetNote
        The note.

    Returns
    -------
    dict of str to float
        Parameter names of `shared.CATALOGUE` and physical values within their ranges. Envelope
        times are always there; filter, tuning, vibrato, detune and noise where they were found.
    """
    measured = note.analysis
    values = _amp_envelope(measured)
    if measured.pitch_hz is not None:
        values |= _tuning(note, measured.pitch_hz) | _waveform(note, measured.pitch_hz)
        values |= _filter(note, measured, measured.pitch_hz) | _detune(measured, measured.pitch_hz)
    values |= _vibrato(measured) | _noise(measured)
    return {
        name: float(np.clip(value, CATALOGUE[name].low, CATALOGUE[name].high))
        for name, value in values.items()
    }


def _amp_envelope(analysis: NoteAnalysis) -> dict[str, float]:
    """Take over the measured envelope; without a release, the sound ends as it decays."""
    release_s = analysis.decay_s if analysis.release_s is None else analysis.release_s
    return {
        "amp_env.attack_s": analysis.attack_s,
        "amp_env.decay_s": analysis.decay_s,
        "amp_env.sustain_ratio": analysis.sustain_ratio,
        "amp_env.release_s": release_s,
    }


def _tuning(note: TargetNote, pitch_hz: float) -> dict[str, float]:
    """Tune the voice to the sound, by whole octaves and the cents that are left."""
    semitones = float(hz_to_midi(pitch_hz)) - note.note.midi_pitch
    octave = float(np.clip(round(semitones / 12.0), -LARGEST_OCTAVE, LARGEST_OCTAVE))
    cents = 100.0 * (semitones - 12.0 * octave)
    # Another key than the given one is a chord or a slip; a fine tune can't mend it.
    values = {"tune_cents": cents if abs(cents) <= LARGEST_TUNE_CENTS else 0.0}
    if octave:
        values |= {"osc1.octave": octave, "osc2.octave": octave}
    return values


def _waveform(note: TargetNote, pitch_hz: float) -> dict[str, float]:
    """Take a square wave if every second harmonic is missing."""
    # A key may be given as held for longer than its sound lasts.
    sound_s = samples_to_seconds(float(note.signal.size), note.sample_rate_hz) - note.onset_s
    held_s = min(note.note.gate_s, sound_s)
    start_s = note.onset_s + 0.25 * held_s
    end_s = max(note.onset_s + 0.75 * held_s, start_s + 0.02)
    hollow_db = odd_over_even_db(
        note.signal,
        sample_rate_hz=note.sample_rate_hz,
        pitch_hz=pitch_hz,
        start_s=start_s,
        end_s=end_s,
    )
    if hollow_db < HOLLOW_DB:
        return {}
    return {"osc1.saw_level": 0.0, "osc1.pulse_level": 1.0, "osc1.pulse_width_ratio": 0.5}


def _detune(analysis: NoteAnalysis, pitch_hz: float) -> dict[str, float]:
    """Put a second sawtooth as far off as the fundamentals beat."""
    if analysis.beating_hz is None:
        return {}
    cents = 1200.0 * np.log2(1.0 + analysis.beating_hz / pitch_hz)
    return {"osc2.saw_level": 1.0, "osc2.detune_cents": float(cents)}


def _vibrato(analysis: NoteAnalysis) -> dict[str, float]:
    """Give both oscillators the vibrato that was found."""
    rate, depth = analysis.vibrato_rate_hz, analysis.vibrato_depth_cents
    if rate is None or depth is None:
        return {}
    values = {}
    for oscillator in ("osc1", "osc2"):
        values[f"{oscillator}.vibrato.rate_hz"] = rate
        values[f"{oscillator}.vibrato.depth_cents"] = depth
        values[f"{oscillator}.vibrato.delay_s"] = analysis.vibrato_delay_s or 0.0
    return values


def _noise(analysis: NoteAnalysis) -> dict[str, float]:
    """Add noise that lasts, or noise in the attack only."""
    sustain, attack = analysis.harmonic_to_noise_db, analysis.attack_harmonic_to_noise_db
    if sustain is None:
        return {}
    if sustain < NOISY_HNR_DB:
        decay_s, ratio_db = STEADY_NOISE_DECAY_S, sustain
    elif attack is not None and attack < min(NOISY_HNR_DB, sustain - ATTACK_NOISE_DROP_DB):
        decay_s, ratio_db = ATTACK_NOISE_DECAY_S, attack
    else:
        return {"noise.level": 0.0}
    return {"noise.level": float(10.0 ** (-ratio_db / 20.0)), "noise.decay_s": decay_s}


def _filter(note: TargetNote, analysis: NoteAnalysis, pitch_hz: float) -> dict[str, float]:
    """Read cutoff and filter envelope off the cutoff over time."""
    track = cutoff_track(note.signal, sample_rate_hz=note.sample_rate_hz, pitch_hz=pitch_hz)
    gate_end_s = note.onset_s + note.note.gate_s
    is_heard = (track.level_db >= HEARD_DB) & (track.times_s >= note.onset_s)
    is_held = (track.level_db >= LOUD_DB) & is_heard & (track.times_s <= gate_end_s)
    if is_held.sum() < 3:
        return {}
    octaves = median_of_five(np.log2(track.cutoff_hz))
    is_early = (track.times_s <= gate_end_s) & ~is_held
    held_s, held = track.times_s[is_held], octaves[is_held]
    sustain = float(np.median(held[held.size // 2 :]))
    base = min(sustain, float(np.percentile(octaves[is_heard & ~is_early], 5.0)))
    peak_index = int(np.argmax(held))
    depth = float(held[peak_index]) - base
    if depth < LEAST_ENVELOPE_OCTAVES:
        return {"filter.cutoff_hz": float(2.0**sustain), "filter_env.depth_octaves": 0.0}
    shape = np.maximum(held - base, 0.0) / depth
    decay_s, sustain_ratio = _fall(held_s[peak_index:] - held_s[peak_index], shape[peak_index:])
    return {
        "filter.cutoff_hz": float(2.0**base),
        "filter_env.depth_octaves": depth,
        "filter_env.attack_s": max(float(held_s[peak_index]) - note.onset_s, analysis.attack_s),
        "filter_env.decay_s": decay_s,
        "filter_env.sustain_ratio": sustain_ratio,
        "filter_env.release_s": _release(track, octaves - base, gate_end_s, analysis),
    }


def _fall(times_s: FloatArray, shape: FloatArray) -> tuple[float, float]:
    """Fit a fall from 1 to a constant level; return its time constant in s and the level."""
    best = (float(CATALOGUE["filter_env.decay_s"].neutral), 1.0, float(np.sum((shape - 1.0) ** 2)))
    for time_s in np.geomspace(0.01, 5.0, 50):
        rise = 1.0 - np.exp(-times_s / time_s)
        # 1 - (1 - sustain) rise = shape
        drop = float(rise @ (1.0 - shape) / max(float(rise @ rise), 1e-12))
        sustain = float(np.clip(1.0 - drop, 0.0, 1.0))
        error = float(np.sum((1.0 - (1.0 - sustain) * rise - shape) ** 2))
        if error < 0.98 * best[2]:
            best = (float(time_s), sustain, error)
    return best[0], best[1]


def _release(
    track: CutoffTrack, octaves: FloatArray, gate_end_s: float, analysis: NoteAnalysis
) -> float:
    """Return when the cutoff has gone 63 % of its way after the gate, else the amplifier's."""
    fallback = analysis.decay_s if analysis.release_s is None else analysis.release_s
    after = (track.times_s >= gate_end_s) & (track.level_db >= HEARD_DB)
    if after.sum() < 3 or octaves[after][0] < LEAST_ENVELOPE_OCTAVES:
        return fallback
    times_s, left = track.times_s[after], octaves[after]
    below = np.flatnonzero(left <= left[0] / np.e)
    return float(times_s[below[0]] - times_s[0]) if below.size else fallback


@dataclass(frozen=True, eq=False)
class CutoffTrack:
    """Cutoff (-12 dB) of a four-pole low-pass filter behind a sawtooth, and level, over time."""

    times_s: FloatArray
    cutoff_hz: FloatArray
    level_db: FloatArray


def cutoff_track(signal: FloatArray, *, sample_rate_hz: int, pitch_hz: float) -> CutoffTrack:
    """Fit a low-pass filter behind a sawtooth to each 10 ms.

    A rough guide for real instruments, whose spectra have bumps of their own.
    """
    n_needed = max(N_PERIODS * sample_rate_hz / pitch_hz, SHORTEST_WINDOW_S * sample_rate_hz)
    n_fft = 1 << int(np.ceil(np.log2(n_needed)))
    times_s, bins_hz, power = power_frames(signal, n_fft, sample_rate_hz=sample_rate_hz)
    edges, centres, expected = _harmonic_groups(pitch_hz, min(HIGHEST_HZ, 0.45 * sample_rate_hz))
    total = np.cumsum(np.pad(power, ((0, 0), (1, 0))), axis=1)
    index = np.searchsorted(bins_hz, edges)
    measured = total[:, index[1:]] - total[:, index[:-1]]
    level = power.sum(axis=1)
    level_db = 10.0 * np.log10(np.maximum(level / level.max(), 1e-12))
    return CutoffTrack(times_s, _fit_cutoffs(measured, expected, centres), level_db)


def _harmonic_groups(
    pitch_hz: float, highest_hz: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Group the harmonics: singly at first, then by 1/6 octave.

    Returns the edges in Hz (n_groups + 1,), the centres in Hz and a sawtooth's power (n_groups,).
    """
    last = max(2, int(highest_hz / pitch_hz - 0.5))
    numbers = [float(number) for number in range(1, min(last, N_SINGLE_HARMONICS) + 2)]
    while numbers[-1] < last:
        wider = round(numbers[-1] * 2.0 ** (1.0 / GROUPS_PER_OCTAVE))
        numbers.append(min(max(wider, numbers[-1] + 1.0), last + 1.0))
    starts = np.array(numbers)
    expected = np.array([np.sum(np.arange(a, b) ** -2.0) for a, b in pairwise(starts)])
    centres = np.sqrt(starts[:-1] * (starts[1:] - 1.0))
    return (starts - 0.5) * pitch_hz, centres * pitch_hz, expected


def _fit_cutoffs(measured: FloatArray, expected: FloatArray, centres: FloatArray) -> FloatArray:
    """Return the best cutoff of each frame, least squares in dB over octaves.

    Groups below the range count as just below it, measured and modelled.
    """
    strongest = np.maximum(measured.max(axis=1, keepdims=True), 1e-30)
    measured_db = 10.0 * np.log10(np.maximum(measured / strongest, 10.0 ** (-RANGE_DB / 10.0)))
    is_heard = measured_db > -RANGE_DB
    width = np.gradient(np.log2(centres))
    heard_width = width * is_heard
    error = np.empty((CUTOFFS_HZ.size, measured.shape[0]))
    for index, cutoff_hz in enumerate(CUTOFFS_HZ):
        model_db = 10.0 * np.log10(expected) - POLES * 10.0 * np.log10(
            1.0 + (centres / cutoff_hz) ** 2
        )
        # Silence before and after the note has nothing above the range.
        total_width = np.maximum(heard_width.sum(axis=1), width.min())
        offset = np.sum(heard_width * (measured_db - model_db), axis=1) / total_width
        shown_db = np.maximum(model_db + offset[:, None], -RANGE_DB)
        error[index] = np.sum(width * (measured_db - shown_db) ** 2, axis=1)
    return np.asarray(CUTOFFS_HZ[np.argmin(error, axis=0)])


def odd_over_even_db(
    signal: FloatArray, *, sample_rate_hz: int, pitch_hz: float, start_s: float, end_s: float
) -> float:
    """Compare harmonics 3, 5, 7 with 2, 4, 6, each against those of a sawtooth.

    About 0 dB for a sawtooth, large for a square wave and a clarinet's low notes.
    """
    n_fft = 1 << int(np.ceil(np.log2(2.0 * N_PERIODS * sample_rate_hz / pitch_hz)))
    times_s, bins_hz, power = power_frames(signal, n_fft, sample_rate_hz=sample_rate_hz)
    mean = power[(times_s >= start_s) & (times_s <= end_s)].mean(axis=0)
    sums = [0.0, 0.0]
    for number in range(2, 8):
        is_near = np.abs(bins_hz / pitch_hz - number) < 0.4
        sums[number % 2] += float(mean[is_near].sum()) * number**2
    return float(10.0 * np.log10(max(sums[1], 1e-30) / max(sums[0], 1e-30)))
