"""One sound as it is compared: attack, level and brightness by sections, pitch, movement, release.

Target and match go through the same code, `matcher.target.analyse`, with the same onset, gate and
noise floor; what that measures for the target is taken over from its analysis.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.target import LevelTrack
from matcher.target.analyse import measure_note
from matcher.target.envelope import level_track, measure_attack
from shared import hz_to_midi, samples_to_seconds, seconds_to_samples

if TYPE_CHECKING:
    from matcher.target import NoteAnalysis, TargetNote
    from shared import FloatArray

__all__ = [
    "FRONT_S",
    "SHORTEST_SPAN_S",
    "Section",
    "SoundMeasures",
    "analyse_match",
    "find_sections",
    "measure_attack_s",
    "measure_sections",
]

FRONT_S = 0.1
# A middle and an end are compared where there is this much after the front.
SHORTEST_REST_S = 0.25
SHORTEST_SPAN_S = 0.2
SPECTRUM_S = 0.046
N_PERIODS = 4.0
# Partials this far under the strongest one, and the hiss of a recording between them, make no
# sound bright; the range that `matcher.target.start` uses, too.
RANGE_DB = 60.0
FLOOR_DB = -120.0


@dataclass(frozen=True)
class Section:
    """A stretch of a note, in s from the start of its signal; "in the middle" is a name."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class SoundMeasures:
    """Level of each section in dB re full scale, -120 for silence, and centroid, None for it."""

    levels_db: tuple[float, ...]
    centroids_hz: tuple[float | None, ...]


def analyse_match(note: TargetNote, sound: FloatArray) -> NoteAnalysis:
    """Measure a match on the timeline of its target, whose pitch is expected."""
    pitch_hz = note.analysis.pitch_hz
    return measure_note(
        sound,
        sample_rate_hz=note.sample_rate_hz,
        onset_s=note.onset_s,
        noise_floor_db=note.noise_floor_db,
        hint_midi_pitch=note.note.midi_pitch if pitch_hz is None else float(hz_to_midi(pitch_hz)),
        gate_s=note.note.gate_s,
        # The match may ring on after the end of the timeline; then it has no release to measure.
        is_whole=False,
    ).analysis


def find_sections(note: TargetNote) -> tuple[Section, ...]:
    """Cut the held part of a note: the first 100 ms, then a middle and an end if it is long."""
    sound_s = samples_to_seconds(float(note.signal.size), note.sample_rate_hz) - note.onset_s
    # A key that is let go at once says nothing about how long the note sounds.
    span_s = min(max(note.note.gate_s, SHORTEST_SPAN_S), sound_s)
    front_s = min(FRONT_S, span_s / 2.0)
    start_s, front_end_s, end_s = (note.onset_s + s for s in (0.0, front_s, span_s))
    front = Section(f"in the first {1000.0 * front_s:.0f} ms", start_s, front_end_s)
    if end_s - front_end_s < SHORTEST_REST_S:
        return front, Section("after that", front_end_s, end_s)
    middle_s = (front_end_s + end_s) / 2.0
    return (
        front,
        Section("in the middle", front_end_s, middle_s),
        Section("towards the end", middle_s, end_s),
    )


def measure_sections(
    sound: FloatArray, sections: tuple[Section, ...], *, pitch_hz: float, sample_rate_hz: int
) -> SoundMeasures:
    """Measure level and brightness of a sound, section by section."""
    edges = [
        [seconds_to_samples(time_s, sample_rate_hz) for time_s in (part.start_s, part.end_s)]
        for part in sections
    ]
    return SoundMeasures(
        tuple(_level_db(sound[first:last]) for first, last in edges),
        tuple(
            _centroid_hz(sound, first, last, pitch_hz=pitch_hz, sample_rate_hz=sample_rate_hz)
            for first, last in edges
        ),
    )


def measure_attack_s(
    sound: FloatArray,
    *,
    onset_s: float,
    end_s: float,
    pitch_hz: float | None,
    sample_rate_hz: int,
) -> float:
    """Measure the attack, a straight rise from 0 to the peak, in the beginning of a sound alone.

    The analysis fits up to the highest level, wherever that is; two sounds that swell at
    different times would then differ in what is read as their attack.
    """
    track = level_track(sound, sample_rate_hz=sample_rate_hz, pitch_hz=pitch_hz)
    is_early = track.times_s <= end_s
    level_db = track.level_db[is_early]
    early = LevelTrack(track.times_s[is_early], level_db - level_db.max())
    return measure_attack(
        sound, early, sample_rate_hz=sample_rate_hz, onset_s=onset_s, pitch_hz=pitch_hz
    ).rise_s


def _level_db(piece: FloatArray) -> float:
    """Return the RMS level in dB re full scale."""
    power = float(np.mean(piece**2)) if piece.size else 0.0
    return float(10.0 * np.log10(max(power, 10.0 ** (FLOOR_DB / 10.0))))


def _centroid_hz(
    sound: FloatArray, first: int, last: int, *, pitch_hz: float, sample_rate_hz: int
) -> float | None:
    """Return the mean frequency of the partials of a stretch, weighted by their amplitudes.

    Powers are summed over bands as wide as the pitch before the root is taken, so that a partial
    counts once, whether a vibrato spreads it over several bins or not. Frames lie around times
    within the stretch, so a short one is measured under whole windows.
    """
    window_s = max(SPECTRUM_S, N_PERIODS / pitch_hz)
    n_fft = 1 << int(np.ceil(np.log2(window_s * sample_rate_hz)))
    padded = np.pad(sound, (n_fft // 2, n_fft))
    starts = np.arange(first, max(last, first + 1), n_fft // 4)
    frames = padded[starts[:, None] + np.arange(n_fft)] * np.hanning(n_fft + 1)[:-1]
    power = np.mean(np.abs(np.fft.rfft(frames, axis=1)) ** 2, axis=0)
    hz = np.fft.rfftfreq(n_fft, 1.0 / sample_rate_hz)
    partial = np.rint(hz / pitch_hz).astype(np.int64)
    powers = np.bincount(partial, power)
    powers[powers < powers.max() * 10.0 ** (-RANGE_DB / 10.0)] = 0.0
    amplitudes = np.sqrt(powers)
    total = float(amplitudes.sum())
    return float(amplitudes @ np.arange(powers.size)) * pitch_hz / total if total else None
