"""All measurements on one note, in the order in which they need each other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.target.attack import LEAST_RISE_S, Attack, find_attack, largest_rise_s
from matcher.target.envelope import find_decay, find_release, level_track, level_window_s
from matcher.target.gate import find_gate
from matcher.target.harmonics import harmonic_tracks, refine_track, smooth_track, window_length_s
from matcher.target.model import LevelTrack, NoteAnalysis, PitchTrack
from matcher.target.modulation import Vibrato, find_beating, find_vibrato
from matcher.target.pitch import coarse_track, find_pitch
from matcher.target.spectrum import centroid_track, harmonic_to_noise_db
from shared.units import seconds_to_samples

if TYPE_CHECKING:
    import numpy.typing as npt

    from shared.types import FloatArray

__all__ = ["MeasuredNote", "measure_note"]

HOP_S = 0.005
LOUD_DB = -20.0
VOICED_RATIO = 0.5
ATTACK_S = 0.06
N_BEATING_HARMONICS = 8
# Periods change here while the note begins and dies; nothing steady is measured there.
SETTLE_S = 0.08
# The shortest release of the catalogue, for a sound that just stops.
SHORTEST_RELEASE_S = 0.005


@dataclass(frozen=True, eq=False)
class MeasuredNote:
    """The analysis, and the gate that was estimated or given."""

    analysis: NoteAnalysis
    gate_end_s: float


@dataclass(frozen=True, eq=False)
class _Pitch:
    """Pitch, how clear it is, its track and the frames of it that count."""

    hz: float
    strength_ratio: float
    track: PitchTrack
    is_steady: npt.NDArray[np.bool_]


def measure_note(
    signal: FloatArray,
    *,
    sample_rate_hz: int,
    onset_s: float,
    noise_floor_db: float,
    hint_midi_pitch: float | None = None,
    gate_s: float | None = None,
    is_whole: bool = True,
) -> MeasuredNote:
    """Measure one note."""
    pitch = _measure_pitch(signal, sample_rate_hz, onset_s, hint_midi_pitch)
    hz = None if pitch is None else pitch.hz
    level = level_track(signal, sample_rate_hz=sample_rate_hz, pitch_hz=hz)
    attack = _measure_attack(signal, level, sample_rate_hz, onset_s, hz)
    settle_s = max(2.0 * level_window_s(hz), 0.3 * attack.rise_s)
    gate = find_gate(level, peak_s=attack.peak_s, settle_s=settle_s, noise_floor_db=noise_floor_db)
    gate_end_s = (
        gate.end_s if gate_s is None else min(onset_s + gate_s, signal.size / sample_rate_hz)
    )
    decay = find_decay(level, peak_s=attack.peak_s, gate_end_s=gate_end_s - level_window_s(hz))
    release_s = find_release(level, gate_end_s=gate_end_s, noise_floor_db=noise_floor_db)
    if gate.is_open and is_whole:
        release_s = SHORTEST_RELEASE_S
    centroid_times_s, centroid_hz = centroid_track(signal, sample_rate_hz=sample_rate_hz)
    bright = _brightness(centroid_times_s, centroid_hz, onset_s, attack, gate_end_s)
    vibrato = _measure_vibrato(pitch, onset_s, gate_end_s)
    noise = _measure_noise(
        signal,
        pitch,
        sample_rate_hz=sample_rate_hz,
        onset_s=onset_s,
        attack=attack,
        gate_end_s=gate_end_s,
    )
    analysis = NoteAnalysis(
        pitch_hz=hz,
        pitch_strength_ratio=0.0 if pitch is None else pitch.strength_ratio,
        pitch_track=None if pitch is None else pitch.track,
        level_track=level,
        attack_start_s=attack.start_s,
        attack_s=attack.rise_s,
        log_attack_time=attack.log_attack_time,
        decay_s=decay.time_s,
        sustain_ratio=decay.sustain_ratio,
        release_s=release_s,
        is_cut=gate.is_open and not is_whole,
        centroid_times_s=centroid_times_s,
        centroid_hz=centroid_hz,
        brightness_peak_hz=bright[0],
        brightness_sustain_hz=bright[1],
        vibrato_rate_hz=vibrato.rate_hz if vibrato else None,
        vibrato_depth_cents=vibrato.depth_cents if vibrato else None,
        vibrato_delay_s=vibrato.delay_s if vibrato else None,
        beating_hz=_measure_beating(signal, pitch, sample_rate_hz, attack, gate_end_s),
        harmonic_to_noise_db=noise[0],
        attack_harmonic_to_noise_db=noise[1],
    )
    return MeasuredNote(analysis, gate_end_s)


def _measure_pitch(
    signal: FloatArray, sample_rate_hz: int, onset_s: float, hint_midi_pitch: float | None
) -> _Pitch | None:
    """Find the octave, follow the pitch, and take the median over the steady part."""
    level = level_track(signal, sample_rate_hz=sample_rate_hz, pitch_hz=None)
    loud = np.flatnonzero(level.level_db >= LOUD_DB)
    first, last = (
        seconds_to_samples(float(level.times_s[index]), sample_rate_hz) for index in loud[[0, -1]]
    )
    coarse = find_pitch(
        signal[first : last + 1], sample_rate_hz=sample_rate_hz, hint_midi_pitch=hint_midi_pitch
    )
    if coarse is None:
        return None
    track = coarse_track(signal, sample_rate_hz=sample_rate_hz, pitch_hz=coarse.hz, hop_s=HOP_S)
    track = smooth_track(track, pitch_hz=coarse.hz)
    track = refine_track(signal, track, sample_rate_hz=sample_rate_hz)
    is_steady = np.interp(track.times_s, level.times_s, level.level_db) >= LOUD_DB
    is_steady &= track.voiced_ratio >= VOICED_RATIO
    is_later = is_steady & (track.times_s >= onset_s + SETTLE_S)
    is_steady = is_later if is_later.sum() >= 10 else is_steady
    hz = float(np.median(track.hz[is_steady])) if is_steady.sum() >= 3 else coarse.hz
    return _Pitch(hz, coarse.strength_ratio, track, is_steady)


def _measure_attack(
    signal: FloatArray,
    level: LevelTrack,
    sample_rate_hz: int,
    onset_s: float,
    pitch_hz: float | None,
) -> Attack:
    """Measure the attack, by the waveform itself where the level's window is too long for it."""
    attack = find_attack(level, onset_s=onset_s, pitch_hz=pitch_hz)
    if attack.rise_s > 3.0 * level_window_s(pitch_hz):
        return attack
    largest = largest_rise_s(signal, sample_rate_hz=sample_rate_hz, onset_s=onset_s, attack=attack)
    rise_s = min(attack.rise_s, max(largest, LEAST_RISE_S))
    return Attack(attack.start_s, rise_s, attack.log_attack_time, attack.peak_s)


def _brightness(
    times_s: FloatArray, centroid_hz: FloatArray, onset_s: float, attack: Attack, gate_end_s: float
) -> tuple[float, float]:
    """Return the highest centroid near the attack, and the median over the gate's second half."""
    early_s = max(attack.peak_s + 0.1, 0.5 * (onset_s + gate_end_s))
    early = centroid_hz[(times_s >= onset_s) & (times_s <= early_s)]
    late = centroid_hz[(times_s >= 0.5 * (onset_s + gate_end_s)) & (times_s <= gate_end_s)]
    peak = float(early.max()) if early.size else float(centroid_hz.max())
    return peak, float(np.median(late)) if late.size else peak


def _measure_vibrato(pitch: _Pitch | None, onset_s: float, gate_end_s: float) -> Vibrato | None:
    """Look for a vibrato in the steady part of the gate."""
    if pitch is None:
        return None
    track = pitch.track
    is_used = pitch.is_steady & (track.times_s <= gate_end_s)
    cents = 1200.0 * np.log2(track.hz / pitch.hz)
    return find_vibrato(
        track.times_s - onset_s,
        cents,
        is_used.astype(np.float64),
        window_s=window_length_s(pitch.hz),
    )


def _measure_beating(
    signal: FloatArray,
    pitch: _Pitch | None,
    sample_rate_hz: int,
    attack: Attack,
    gate_end_s: float,
) -> float | None:
    """Look for beating in the harmonics between attack and release."""
    if pitch is None:
        return None
    # Beats move the measured pitch, too; the harmonics are taken along its slow course only.
    steady = PitchTrack(
        pitch.track.times_s,
        np.full_like(pitch.track.hz, pitch.hz),
        pitch.track.voiced_ratio,
    )
    tracks = harmonic_tracks(
        signal, steady, sample_rate_hz=sample_rate_hz, n_harmonics=N_BEATING_HARMONICS
    )
    start_s = attack.peak_s + 0.5 * tracks.window_s
    return find_beating(tracks, start_s=start_s, end_s=gate_end_s - 0.5 * tracks.window_s)


def _measure_noise(
    signal: FloatArray,
    pitch: _Pitch | None,
    *,
    sample_rate_hz: int,
    onset_s: float,
    attack: Attack,
    gate_end_s: float,
) -> tuple[float | None, float | None]:
    """Return the harmonic-to-noise ratios of the sustain and of the attack."""
    if pitch is None:
        return None, None
    late_s = min(attack.peak_s + SETTLE_S, 0.5 * (attack.peak_s + gate_end_s))
    sustain, early = (
        harmonic_to_noise_db(
            signal, pitch.track, sample_rate_hz=sample_rate_hz, start_s=start_s, end_s=end_s
        )
        for start_s, end_s in ((late_s, gate_end_s), (onset_s, onset_s + ATTACK_S))
    )
    return sustain, early
