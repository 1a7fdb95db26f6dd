"""What a target is: its notes, and what was measured on them.

Values only; `matcher.target.load` makes them. Arrays are read-only, so that a target can be
shared by threads and its digest stays true.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from shared.errors import TargetError

if TYPE_CHECKING:
    from shared.notes import Note
    from shared.types import FloatArray

__all__ = ["LevelTrack", "NoteAnalysis", "PitchTrack", "Target", "TargetNote"]


class _ReadOnlyArrays:
    """A frozen dataclass whose arrays can't be written to."""

    def __post_init__(self) -> None:
        """Lock every array."""
        for field in fields(self):  # type: ignore[arg-type]
            value = getattr(self, field.name)
            if isinstance(value, np.ndarray) and value.flags.writeable:
                locked = value.copy()
                locked.setflags(write=False)
                object.__setattr__(self, field.name, locked)


@dataclass(frozen=True, eq=False)
class PitchTrack(_ReadOnlyArrays):
    """Pitch over time.

    Parameters
    ----------
    times_s : np.ndarray, shape=(n_frames,), dtype=float64
        Middle of each frame in s, 0 at the start of the note's signal.
    hz : np.ndarray, shape=(n_frames,), dtype=float64
        Fundamental frequency in Hz; carried over from the neighbours where nothing is voiced.
    voiced_ratio : np.ndarray, shape=(n_frames,), dtype=float64
        How periodic the frame is, 0 (noise, silence) to 1.
    """

    times_s: FloatArray
    hz: FloatArray
    voiced_ratio: FloatArray


@dataclass(frozen=True, eq=False)
class LevelTrack(_ReadOnlyArrays):
    """Level over time.

    Parameters
    ----------
    times_s : np.ndarray, shape=(n_frames,), dtype=float64
        Middle of each frame in s, 0 at the start of the note's signal.
    level_db : np.ndarray, shape=(n_frames,), dtype=float64
        RMS level over whole periods in dB, 0 at its highest value, not below -120.
    """

    times_s: FloatArray
    level_db: FloatArray


@dataclass(frozen=True, eq=False)
class NoteAnalysis(_ReadOnlyArrays):
    """What was measured on one note.

    Times count from the start of the note's signal where they are named ``_start_s`` and in the
    tracks; all others are durations. None means: not found, or not measurable here.

    Parameters
    ----------
    pitch_hz : float or None
        Fundamental frequency in Hz, median over the loud and voiced part.
    pitch_strength_ratio : float, 0 to 1
        How clear the pitch is; noise lies below 0.1, a clean tone above 0.8.
    pitch_track : PitchTrack or None
        Pitch over time.
    level_track : LevelTrack
        Level over time.
    attack_start_s : float
        When the level first passes 2 % of its maximum, in s.
    attack_s : float
        Time of a straight rise from 0 to the peak, in s.
    log_attack_time : float
        log10 of the time from 2 % to 90 % of the maximum in s (ISO/IEC 15938-4).
    decay_s, sustain_ratio : float
        Time constant of the fall from the peak in s, and the level it falls to over the peak.
    release_s : float or None
        Time constant of the release in s; None if the recording ends before it.
    is_cut : bool
        True if the recording ends while the note still sounds.
    centroid_times_s, centroid_hz : np.ndarray, shape=(n_frames,), dtype=float64
        Spectral centroid over time.
    brightness_peak_hz, brightness_sustain_hz : float
        Highest centroid near the attack, and its median over the second half of the gate, in Hz.
    vibrato_rate_hz, vibrato_depth_cents, vibrato_delay_s : float or None
        A sine in the pitch: rate, amplitude (to one side), and when it reaches its full depth.
    beating_hz : float or None
        Beat rate of the fundamental, the difference between two detuned oscillators.
    harmonic_to_noise_db : float or None
        Power of the periodic part over the rest, in dB, median over the sustain.
    attack_harmonic_to_noise_db : float or None
        The same over the first 60 ms.
    top_hz : float or None
        Where a codec or a lower sampling rate has cut the spectrum off, in Hz.
    """

    pitch_hz: float | None
    pitch_strength_ratio: float
    pitch_track: PitchTrack | None
    level_track: LevelTrack
    attack_start_s: float
    attack_s: float
    log_attack_time: float
    decay_s: float
    sustain_ratio: float
    release_s: float | None
    is_cut: bool
    centroid_times_s: FloatArray
    centroid_hz: FloatArray
    brightness_peak_hz: float
    brightness_sustain_hz: float
    vibrato_rate_hz: float | None
    vibrato_depth_cents: float | None
    vibrato_delay_s: float | None
    beating_hz: float | None
    harmonic_to_noise_db: float | None
    attack_harmonic_to_noise_db: float | None
    top_hz: float | None = None


@dataclass(frozen=True, eq=False)
class TargetNote(_ReadOnlyArrays):
    """One note that is to be matched.

    Parameters
    ----------
    name : str
        Stem of the file, or the name that was given.
    signal : np.ndarray, shape=(n_samples,), dtype=float64
        Mono sound at `sample_rate_hz`, level unchanged. Starts 20 ms before the onset (silence
        where the recording starts later) and ends where it has fallen to the noise floor.
    sample_rate_hz : int
        Sampling rate in Hz.
    note : Note
        Pitch, velocity and gate that are played to match it.
    onset_s : float
        Onset in `signal` in s.
    source_onset_s : float
        Onset in the recording in s.
    noise_floor_db : float, -120 to 0
        Level before and after the note against the highest 1 ms level; -120 if there is
        silence, or no such part.
    level_db : float
        RMS of the loudest 50 ms, in dB re full scale (1.0).
    estimated : frozenset of str
        Which of "pitch", "velocity", "gate", "onset" were estimated, not given.
    analysis : NoteAnalysis
        What was measured.
    warnings : tuple of str
        What was assumed, and how to override it.
    """

    name: str
    signal: FloatArray
    sample_rate_hz: int
    note: Note
    onset_s: float
    source_onset_s: float
    noise_floor_db: float
    level_db: float
    estimated: frozenset[str]
    analysis: NoteAnalysis
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Target:
    """One or several notes that one patch is to match.

    Parameters
    ----------
    notes : tuple of TargetNote
        At least one, all at one sampling rate.

    Raises
    ------
    TargetError
        If there is no note, or the rates differ.
    """

    notes: tuple[TargetNote, ...]

    def __post_init__(self) -> None:
        """Check the notes."""
        if not self.notes:
            raise TargetError("The target holds no note; at least one recording is needed.")
        rates = sorted({note.sample_rate_hz for note in self.notes})
        if len(rates) > 1:
            listed = ", ".join(f"{rate} Hz" for rate in rates)
            raise TargetError(
                f"The notes of the target have different sampling rates ({listed}); it must be "
                "one. Load them together.",
                name="sample_rate_hz",
            )

    @property
    def sample_rate_hz(self) -> int:
        """Sampling rate of all notes in Hz."""
        return self.notes[0].sample_rate_hz

    @property
    def digest(self) -> str:
        """SHA-256 over signals and note settings, 64 hexadecimal digits.

        Names and what was only measured don't count: two targets of one digest are matched by
        the same renders.
        """
        digest = hashlib.sha256()
        for note in self.notes:
            setting = (
                note.sample_rate_hz,
                note.signal.size,
                float(note.onset_s).hex(),
                float(note.note.midi_pitch).hex(),
                int(note.note.velocity),
                float(note.note.gate_s).hex(),
            )
            digest.update(repr(setting).encode())
            digest.update(np.ascontiguousarray(note.signal, dtype="<f8").tobytes())
        return digest.hexdigest()
