"""Everything that is drawn of a target and its match, measured alike on both."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.plots.spectrograms import (
    BANDS_PER_OCTAVE,
    FLOOR_DB,
    WINDOW_S,
    Spectrogram,
    measure_spectrogram,
)
from matcher.target.envelope import level_track
from matcher.target.harmonics import follow_pitch, harmonic_tracks, smooth_track
from matcher.target.pitch import find_pitch
from shared import ParameterError, ratio_to_cents, read_recording, seconds_to_samples
from shared.units import midi_to_hz

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    import numpy.typing as npt

    from matcher.runs.folder import RunFolder
    from matcher.target import PitchTrack
    from shared import FloatArray, Note

N_HARMONICS = 24
# The front edge of the harmonic levels, as the loss has it (matcher.losses): 150 ms.
FRONT_S = 0.15
# Harmonics this far under the strongest one aren't shown.
HARMONIC_RANGE_DB = 80.0
VOICED_RATIO = 0.5
HOP_S = 0.005
# The part that the pitch is found in, under the loudest frame.
LOUDEST_PART_DB = -20.0
# Frames this far under the loudest one say nothing about pitch.
LOUD_DB = -40.0
SLOWEST_HZ, FASTEST_HZ, STEP_HZ = 0.5, 20.0, 0.25
# The attack is no movement; it is judged by the front edge.
ATTACK_S = 0.1
SHORTEST_S = 0.25
# Octaves whose level lies on the floor at times would move by as much as the floor says.
HEADROOM_DB = 10.0


@dataclass(frozen=True, eq=False)
class Movement:
    """Depth of movement over rates from 0.5 to 20 Hz; empty where a note is too short to move.

    A sine of 1 dB or 1 cent to each side gives 1 at its rate; levels are the root mean square over
    the octaves that sound, and pitch is empty where none is heard.
    """

    rates_hz: FloatArray
    level_db: FloatArray
    pitch_cents: FloatArray


@dataclass(frozen=True, eq=False)
class SoundTracks:
    """What is drawn of one sound, in dB re the strongest of both.

    Pitch is the deviation from the played key, NaN where none is heard. Levels of harmonics are
    the highest within the first 150 ms, and the median over the second half of the key.
    """

    spectrogram: Spectrogram
    level_times_s: FloatArray
    level_db: FloatArray
    pitch_times_s: FloatArray
    pitch_cents: FloatArray
    movement: Movement
    attack_harmonics_db: FloatArray
    sustain_harmonics_db: FloatArray


@dataclass(frozen=True, eq=False)
class SoundPair:
    """A note of the target and the patch that plays it; both have one onset."""

    name: str
    note: Note
    onset_s: float
    target: SoundTracks
    match: SoundTracks


@dataclass(frozen=True, eq=False)
class _Pitched:
    """Pitch track and harmonic amplitudes of one sound; None without pitch."""

    track: PitchTrack
    is_heard: npt.NDArray[np.bool_]
    amplitudes: FloatArray


def measure_pair(
    target: FloatArray,
    match: FloatArray,
    *,
    sample_rate_hz: int,
    note: Note,
    onset_s: float = 0.0,
    name: str = "note",
) -> SoundPair:
    """Measure what is drawn of two mono sounds of one length, on one timeline."""
    if target.shape != match.shape:
        raise ParameterError(
            f"match has shape {match.shape}; it must be that of the target, {target.shape}.",
            name="match",
        )
    signals = (target, match)
    spectrograms = measure_spectrogram(*signals, sample_rate_hz=sample_rate_hz)
    levels = level_curves(*signals, sample_rate_hz=sample_rate_hz, note=note)
    pitched = [
        _pitch(signal, level, sample_rate_hz, note)
        for signal, level in zip(signals, levels, strict=True)
    ]
    harmonics = _harmonics(pitched, note, onset_s)
    tracks = []
    for i, spectrogram in enumerate(spectrograms):
        times_s, cents = _cents(pitched[i], note)
        movement = _movement(
            spectrogram,
            (times_s, cents),
            start_s=onset_s,
            end_s=min(onset_s + note.gate_s, target.size / sample_rate_hz),
        )
        tracks.append(
            SoundTracks(spectrogram, *levels[i], times_s, cents, movement, *harmonics[i])
        )
    return SoundPair(name, note, onset_s, *tracks)


def level_curves(
    *signals: FloatArray, sample_rate_hz: int, note: Note
) -> list[tuple[FloatArray, FloatArray]]:
    """Measure times and levels of mono sounds of one length re the loudest moment of all.

    They are measured as one sound, with silence between, since a level track counts from its own
    highest value.
    """
    pitch_hz = float(midi_to_hz(note.midi_pitch))
    n_gap = seconds_to_samples(0.1, sample_rate_hz)
    joined = np.concatenate([np.pad(signal, (0, n_gap)) for signal in signals])
    track = level_track(joined, sample_rate_hz=sample_rate_hz, pitch_hz=pitch_hz)
    found = []
    for i, signal in enumerate(signals):
        start_s = i * (signal.size + n_gap) / sample_rate_hz
        times_s = track.times_s - start_s
        is_own = (times_s >= 0.0) & (times_s < signal.size / sample_rate_hz)
        found.append((times_s[is_own], track.level_db[is_own]))
    return found


def run_pairs(run: RunFolder) -> tuple[SoundPair, ...]:
    """Measure the notes of a run that were fitted, then those that were left out."""
    fields: list[Mapping[str, Any]] = [
        entry for key in ("notes", "left_out") for entry in run.run.get(key) or []
    ]
    pairs = []
    for note, field in zip((*run.notes, *run.left_out), fields, strict=True):
        recordings = [read_recording(path) for path in (note.target, note.match)]
        n_samples = min(recording.signal.size for recording in recordings)
        pairs.append(
            measure_pair(
                *(recording.signal[:n_samples] for recording in recordings),
                sample_rate_hz=recordings[0].sample_rate_hz,
                note=note.played,
                onset_s=float(field.get("onset_s") or 0.0),
                name=note.name,
            )
        )
    return tuple(pairs)


def _pitch(
    signal: FloatArray, level: tuple[FloatArray, FloatArray], sample_rate_hz: int, note: Note
) -> _Pitched | None:
    """Follow the pitch, and the harmonics along it, as `matcher.target.analyse` does."""
    if not np.any(signal):
        return None
    times_s, level_db = level
    loud = np.flatnonzero(level_db >= level_db.max() + LOUDEST_PART_DB)
    first, last = (
        seconds_to_samples(float(times_s[index]), sample_rate_hz) for index in loud[[0, -1]]
    )
    found = find_pitch(
        signal[first : last + 1],
        sample_rate_hz=sample_rate_hz,
        hint_midi_pitch=note.midi_pitch,
    )
    if found is None:
        return None
    track = follow_pitch(signal, sample_rate_hz=sample_rate_hz, pitch_hz=found.hz, hop_s=HOP_S)
    own_db = np.interp(track.times_s, times_s, level_db) - level_db.max()
    is_heard = (track.voiced_ratio >= VOICED_RATIO) & (own_db > LOUD_DB)
    harmonics = harmonic_tracks(
        signal,
        smooth_track(track, pitch_hz=found.hz),
        sample_rate_hz=sample_rate_hz,
        n_harmonics=N_HARMONICS,
    )
    return _Pitched(track, is_heard, np.abs(harmonics.amplitudes))


def _cents(pitched: _Pitched | None, note: Note) -> tuple[FloatArray, FloatArray]:
    """Return the deviation from the played pitch over time."""
    if pitched is None:
        return np.zeros(0), np.zeros(0)
    ratio = pitched.track.hz / float(midi_to_hz(note.midi_pitch))
    cents = np.where(pitched.is_heard, ratio_to_cents(np.maximum(ratio, 1e-3)), np.nan)
    return pitched.track.times_s, cents


def _harmonics(
    pitched: list[_Pitched | None], note: Note, onset_s: float
) -> list[tuple[FloatArray, FloatArray]]:
    """Return the levels of the harmonics at attack and sustain, sound by sound."""
    raw = []
    for sound in pitched:
        if sound is None:
            raw.append((np.zeros(0), np.zeros(0)))
            continue
        times_s = sound.track.times_s - onset_s
        front = sound.amplitudes[:, (times_s >= 0.0) & (times_s <= FRONT_S)]
        held = (times_s >= 0.5 * note.gate_s) & (times_s <= note.gate_s)
        rest = sound.amplitudes[:, held] if held.any() else front
        raw.append((front.max(axis=1, initial=0.0), np.median(rest, axis=1)))
    strongest = max((float(a.max(initial=0.0)) for pair in raw for a in pair), default=0.0) or 1.0
    least = 10.0 ** (-HARMONIC_RANGE_DB / 20.0)
    return [
        (
            20.0 * np.log10(np.maximum(front / strongest, least)),
            20.0 * np.log10(np.maximum(rest / strongest, least)),
        )
        for front, rest in raw
    ]


# Modulation spectra, magnitudes only, so that the phases of LFOs and beats don't count
# (S. D. Ewert and T. Dau, "Characterizing frequency selectivity for envelope fluctuations",
# J. Acoust. Soc. Am. 108, 2000). The loss measures the same in mel bands,
# `matcher.losses.movement`; here octaves are enough.


def _movement(
    spectrogram: Spectrogram,
    pitch: tuple[FloatArray, FloatArray],
    *,
    start_s: float,
    end_s: float,
) -> Movement:
    """Measure the movement of a held note."""
    begin_s = start_s + min(ATTACK_S, 0.5 * (end_s - start_s))
    if end_s - begin_s < SHORTEST_S:
        return Movement(np.zeros(0), np.zeros(0), np.zeros(0))
    # A rate needs one period within the note to differ from a slope.
    slowest_hz = max(SLOWEST_HZ, np.ceil(1.0 / (end_s - begin_s) / STEP_HZ) * STEP_HZ)
    rates_hz = np.arange(slowest_hz, FASTEST_HZ + 0.5 * STEP_HZ, STEP_HZ)
    # The last frames would look beyond the end of the key.
    octaves = _octave_levels(spectrogram, begin_s, end_s - 0.5 * WINDOW_S)
    depths = _depths(*octaves, rates_hz) if octaves[1].size else np.zeros((1, rates_hz.size))
    level_db = np.sqrt(np.mean(np.square(depths), axis=0))
    return Movement(rates_hz, level_db, _pitch_depths(*pitch, rates_hz, begin_s, end_s))


def _octave_levels(
    spectrogram: Spectrogram, begin_s: float, end_s: float
) -> tuple[FloatArray, FloatArray]:
    """Return the times, and the levels of the octaves that sound throughout, in dB."""
    is_held = (spectrogram.times_s >= begin_s) & (spectrogram.times_s <= end_s)
    power = 10.0 ** (spectrogram.level_db[:, is_held] / 10.0)
    n_octaves = power.shape[0] // BANDS_PER_OCTAVE
    octaves = power[: n_octaves * BANDS_PER_OCTAVE].reshape(n_octaves, BANDS_PER_OCTAVE, -1)
    levels = np.asarray(10.0 * np.log10(octaves.sum(axis=1)), dtype=np.float64)
    floor_db = FLOOR_DB + 10.0 * np.log10(BANDS_PER_OCTAVE)
    is_sounding = levels.min(axis=1, initial=np.inf) > floor_db + HEADROOM_DB
    return spectrogram.times_s[is_held], levels[is_sounding]


def _pitch_depths(
    times_s: FloatArray, cents: FloatArray, rates_hz: FloatArray, begin_s: float, end_s: float
) -> FloatArray:
    """Return the depths of the pitch's movement, empty where little of it is heard."""
    is_held = (times_s >= begin_s) & (times_s <= end_s) & np.isfinite(cents)
    if np.count_nonzero(is_held) < 0.5 * np.count_nonzero(
        (times_s >= begin_s) & (times_s <= end_s)
    ):
        return np.zeros(0)
    held_s = times_s[is_held]
    if held_s.size < 8 or held_s[-1] - held_s[0] < SHORTEST_S:
        return np.zeros(0)
    even_s = np.linspace(held_s[0], held_s[-1], held_s.size)
    depths = _depths(even_s, np.interp(even_s, held_s, cents[is_held])[None], rates_hz)
    return np.asarray(depths[0])


def _depths(times_s: FloatArray, tracks: FloatArray, rates_hz: FloatArray) -> FloatArray:
    """Return the amplitudes of tracks, shape (n_tracks, n_frames), at each rate.

    Means and slopes are taken off first.
    """
    offset = times_s - times_s.mean()
    centred = tracks - tracks.mean(axis=1, keepdims=True)
    slopes = (centred @ offset) / max(float(offset @ offset), 1e-12)
    centred -= slopes[:, None] * offset
    window = np.hanning(times_s.size + 2)[1:-1]
    waves = np.exp(-2j * np.pi * times_s[:, None] * rates_hz) * window[:, None]
    return np.asarray(2.0 * np.abs(centred @ waves) / window.sum())
