"""Everything that is drawn of a target and its match, measured alike on both."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.plots.movement import Movement, measure_movement
from matcher.plots.spectrogram import Spectrogram, measure_spectrogram
from matcher.target.envelope import level_track
from matcher.target.harmonics import harmonic_tracks, refine_track, smooth_track
from matcher.target.pitch import coarse_track, find_pitch
from shared import ParameterError, ratio_to_cents, read_recording, seconds_to_samples
from shared.units import midi_to_hz

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    import numpy.typing as npt

    from matcher.runs.run_folder import RunFolder
    from matcher.target import PitchTrack
    from shared import FloatArray, Note

__all__ = ["SoundPair", "SoundTracks", "level_curves", "measure_pair", "run_pairs"]

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


@dataclass(frozen=True, eq=False)
class SoundTracks:
    """What is drawn of one sound.

    Parameters
    ----------
    spectrogram : Spectrogram
        Level over time and frequency.
    level_times_s, level_db : np.ndarray, shape=(n_frames,), dtype=float64
        Level each millisecond, in dB re the loudest moment of both sounds.
    pitch_times_s, pitch_cents : np.ndarray, shape=(n_steps,), dtype=float64
        Deviation from the played pitch in cents, NaN where no pitch is heard; empty without
        pitch.
    movement : Movement
        Modulation spectra of level and pitch.
    attack_harmonics_db, sustain_harmonics_db : np.ndarray, shape=(n_harmonics,), dtype=float64
        Level of each harmonic at its highest in the first 150 ms, and in the second half of the
        gate (median), in dB re the strongest one of both sounds; empty without pitch.
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
    """A note of the target and the patch that plays it.

    Parameters
    ----------
    name : str
        Name of the note.
    note : Note
        What is played.
    onset_s : float
        Onset of both sounds in s.
    target, match : SoundTracks
        What is drawn of each.
    """

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
    """Measure what is drawn of two sounds on one timeline.

    Parameters
    ----------
    target, match : np.ndarray, shape=(n_samples,), dtype=float64
        Mono sounds of one length, not silent.
    sample_rate_hz : int
        Sampling rate in Hz.
    note : Note
        Pitch, velocity and gate that are played.
    onset_s : float
        Onset of both in s.
    name : str
        What the note is called.

    Returns
    -------
    SoundPair
        Both on common scales.

    Raises
    ------
    ParameterError
        If the lengths differ.
    """
    if target.shape != match.shape:
        raise ParameterError(
            f"match has shape {match.shape}; that of the target, {target.shape}, is accepted.",
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
        movement = measure_movement(
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
    """Measure levels over time re the loudest moment of all sounds.

    They are measured as one sound, with silence between, since a level track counts from its own
    highest value.

    Parameters
    ----------
    *signals : np.ndarray, shape=(n_samples,), dtype=float64
        Mono sounds of one length, not all of them silent.
    sample_rate_hz : int
        Sampling rate in Hz.
    note : Note
        What is played; levels are taken over whole periods.

    Returns
    -------
    list of tuple of np.ndarray
        Times in s and levels in dB, sound by sound.
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
    """Measure the notes of a run, as its folder holds them.

    Parameters
    ----------
    run : RunFolder
        As `matcher.load_run` gives it.

    Returns
    -------
    tuple of SoundPair
        The notes that were fitted, then those that were left out.
    """
    fields: list[Mapping[str, Any]] = [
        entry
        for key in ("notes", "left_out")
        for entry in run.run.get(key) or []  # type: ignore[attr-defined]
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
    track = coarse_track(signal, sample_rate_hz=sample_rate_hz, pitch_hz=found.hz, hop_s=HOP_S)
    track = smooth_track(track, pitch_hz=found.hz)
    track = refine_track(signal, track, sample_rate_hz=sample_rate_hz)
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
