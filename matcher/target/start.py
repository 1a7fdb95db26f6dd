"""First values for the search, read off one note.

They are where the search begins, not what it finds: each holds if the sound were made by a
sawtooth through a four-pole filter. What can't be told from the note is left out.

The thresholds are common practice, no source; the tests hold them to known sounds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.target.spectrum import CutoffTrack, cutoff_track, odd_over_even_db
from shared.catalogue import CATALOGUE
from shared.units import hz_to_midi, samples_to_seconds

if TYPE_CHECKING:
    from matcher.target.model import NoteAnalysis, TargetNote
    from shared.types import FloatArray

__all__ = ["first_values"]

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


def first_values(note: TargetNote, analysis: NoteAnalysis | None = None) -> dict[str, float]:
    """Estimate catalogue parameters from a note.

    Parameters
    ----------
    note : TargetNote
        The note.
    analysis : NoteAnalysis, optional
        Another analysis than the note's own.

    Returns
    -------
    dict of str to float
        Parameter names of `shared.CATALOGUE` and physical values within their ranges. Envelope
        times are always there; filter, tuning, vibrato, detune and noise where they were found.
    """
    measured = note.analysis if analysis is None else analysis
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
    octaves = _smooth(np.log2(track.cutoff_hz))
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


def _smooth(values: FloatArray) -> FloatArray:
    """Take the median of five frames."""
    padded = np.pad(values, 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1))


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
