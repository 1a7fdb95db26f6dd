"""From recordings to a target.

Who decides what, in this order:

- *Pitch.* What the user gives. Else the file name, if the measured pitch is the same key or one
  some octaves away: the name says which key is pressed, and a patch may well sound an octave off
  it. Else the measured pitch, with its cents.
- *Velocity.* What the user gives, else the file name, else 100.
- *Gate.* What the user gives, else where the release begins (`matcher.target.envelope`).

All that was assumed is in the note's `warnings`, and is issued as `EarwrightWarning`, too.
"""

from __future__ import annotations

import warnings as python_warnings
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.target.build import DEFAULT_VELOCITY, SHORTEST_SOUND_S, GivenNote, build_note
from matcher.target.model import Target, TargetNote
from matcher.target.names import NameHints, read_name
from shared.audio import (
    MAX_SAMPLE_RATE_HZ,
    MIN_SAMPLE_RATE_HZ,
    Recording,
    read_recording,
    resample,
)
from shared.errors import EarwrightWarning, ParameterError, TargetError
from shared.notes import Note, parse_pitch

if TYPE_CHECKING:
    from pathlib import Path

    from shared.types import FloatArray

__all__ = ["MAX_DURATION_S", "load_target", "target_from_signal"]

MAX_DURATION_S = 10.0
LONGEST_DURATION_S = 60.0
# -40 dB, as for files.
OFFSET_RATIO = 0.01

Pitch = float | str


def load_target(
    *paths: str | Path,
    midi_pitch: Pitch | Sequence[Pitch | None] | None = None,
    velocity: int | Sequence[int | None] | None = None,
    gate_s: float | Sequence[float | None] | None = None,
    sample_rate_hz: int = 44_100,
    max_duration_s: float = MAX_DURATION_S,
) -> Target:
    """Read one recording for each note, and find out what is played in it.

    Parameters
    ----------
    *paths : str or Path
        Audio files, one note each. Names such as ``horn_C4_v100.wav`` tell pitch and velocity.
    midi_pitch : float, str, or one for each path, optional
        Pitch of the notes: MIDI pitch (60 is C4) or a name such as ``"Bb3"``; None estimates.
    velocity : int, or one for each path, optional
        Velocity of the notes, 1 to 127.
    gate_s : float, or one for each path, optional
        How long the keys are held, in s.
    sample_rate_hz : int, 8000 to 192000
        Rate at which the target is matched; the files may have any other.
    max_duration_s : float, 0.05 to 60
        Use at most this many seconds after each onset.

    Returns
    -------
    Target
        Notes in the order of the paths.

    Raises
    ------
    AudioError
        If a file can't be used; see `shared.read_recording`.
    TargetError
        If no path is given, or a recording has no note: nothing that stands out of the noise,
        less than 50 ms of sound, or no pitch.
    ParameterError
        If a setting lies outside its range, or there are more or fewer of it than paths.

    Warns
    -----
    EarwrightWarning
        With the texts that the notes' `warnings` keep.

    Examples
    --------
    >>> target = load_target("horn_C4_v100.wav")  # doctest: +SKIP
    >>> target.notes[0].note  # doctest: +SKIP
    Note(midi_pitch=60.0, velocity=100, gate_s=1.02)
    """
    if not paths:
        raise TargetError("No recording is given; at least one is needed. Name an audio file.")
    _check_duration(max_duration_s)
    _check_rate(sample_rate_hz)
    pitches = _one_each("midi_pitch", midi_pitch, len(paths))
    velocities = _one_each("velocity", velocity, len(paths))
    gates = _one_each("gate_s", gate_s, len(paths))
    # Everything that is given is checked before the first file is read.
    all_given = [_check_given(*each) for each in zip(pitches, velocities, gates, strict=True)]
    notes = []
    for path, given in zip(paths, all_given, strict=True):
        recording = _at_rate(read_recording(path), sample_rate_hz)
        hints = read_name(recording.name)
        note = build_note(recording, str(path), given, hints, max_duration_s)
        _issue(note.warnings[len(recording.warnings) :])
        notes.append(note)
    return Target(tuple(notes))


def target_from_signal(
    signal: FloatArray,
    sample_rate_hz: int,
    *,
    name: str = "target",
    midi_pitch: Pitch | None = None,
    velocity: int | None = None,
    gate_s: float | None = None,
    max_duration_s: float = MAX_DURATION_S,
) -> TargetNote:
    """Make a target note from samples.

    Parameters
    ----------
    signal : np.ndarray, shape=(n_samples,), dtype=float64
        Mono sound that holds one note, full scale is 1.
    sample_rate_hz : int, 8000 to 192000
        Sampling rate in Hz; the note keeps it.
    name : str
        Name for messages and reports.
    midi_pitch : float or str, optional
        Pitch: MIDI pitch (60 is C4) or a name such as ``"Bb3"``; None estimates.
    velocity : int, 1 to 127, optional
        Velocity; None takes 100.
    gate_s : float, optional
        How long the key is held, in s; None estimates.
    max_duration_s : float, 0.05 to 60
        Use at most this many seconds after the onset.

    Returns
    -------
    TargetNote
        ``Target((note,))`` makes a target of it.

    Raises
    ------
    AudioError
        If the signal isn't one row of finite samples, or the rate lies outside its range.
    TargetError
        If it has no note; see `load_target`.
    ParameterError
        If a setting lies outside its range.

    Warns
    -----
    EarwrightWarning
        With the texts that the note's `warnings` keep.
    """
    _check_duration(max_duration_s)
    given = _check_given(midi_pitch, velocity, gate_s)
    samples = np.asarray(signal, dtype=np.float64)
    recording = _centred(Recording(samples, sample_rate_hz, name))
    note = build_note(recording, name, given, NameHints(None, None), max_duration_s)
    _issue(note.warnings)
    return note


def _centred(recording: Recording) -> Recording:
    """Take a constant offset off, as `shared.read_recording` does with files."""
    offset = float(recording.signal.mean()) if recording.signal.size else 0.0
    if abs(offset) <= OFFSET_RATIO * float(np.max(np.abs(recording.signal), initial=0.0)):
        return recording
    text = (
        f"{recording.name} had a constant offset of {offset:.3f}, which was taken off. Nothing "
        "needs to be done; a fault in the recording chain may be the cause."
    )
    return replace(recording, signal=recording.signal - offset, warnings=(text,))


def _issue(texts: Sequence[str]) -> None:
    """Issue warnings, as from the caller of the public function."""
    for text in texts:
        python_warnings.warn(text, EarwrightWarning, stacklevel=3)


def _check_duration(max_duration_s: float) -> None:
    """Refuse a length that leaves nothing, or that no measure here is meant for."""
    if not SHORTEST_SOUND_S <= max_duration_s <= LONGEST_DURATION_S:
        raise ParameterError(
            f"max_duration_s is {max_duration_s:g} s; {SHORTEST_SOUND_S:g} to "
            f"{LONGEST_DURATION_S:g} s is accepted.",
            name="max_duration_s",
            value=max_duration_s,
        )


def _check_rate(sample_rate_hz: int) -> None:
    """Refuse a rate at which no recording can be kept."""
    if not MIN_SAMPLE_RATE_HZ <= sample_rate_hz <= MAX_SAMPLE_RATE_HZ:
        raise ParameterError(
            f"sample_rate_hz is {sample_rate_hz:g} Hz; {MIN_SAMPLE_RATE_HZ} to "
            f"{MAX_SAMPLE_RATE_HZ} Hz is accepted.",
            name="sample_rate_hz",
            value=sample_rate_hz,
        )


def _one_each(name: str, setting: object, n_paths: int) -> list[Any]:
    """Spread one setting over all notes, or check that there is one for each."""
    if isinstance(setting, str) or not isinstance(setting, (Sequence, np.ndarray)):
        return [setting] * n_paths
    if len(setting) != n_paths:
        raise ParameterError(
            f"{name} has {len(setting)} values for {n_paths} recordings; one for all of them, or "
            "one for each, is accepted.",
            name=name,
            value=setting,
        )
    return list(setting)


def _check_given(
    midi_pitch: Pitch | None, velocity: int | None, gate_s: float | None
) -> GivenNote:
    """Read the pitch, and let `Note` check the ranges before anything is measured."""
    pitch = parse_pitch(midi_pitch) if isinstance(midi_pitch, str) else midi_pitch
    Note(
        60.0 if pitch is None else pitch,
        DEFAULT_VELOCITY if velocity is None else velocity,
        1.0 if gate_s is None else gate_s,
    )
    return GivenNote(pitch, velocity, gate_s)


def _at_rate(recording: Recording, sample_rate_hz: int) -> Recording:
    """Resample a recording."""
    if recording.sample_rate_hz == sample_rate_hz:
        return recording
    signal = resample(recording.signal, recording.sample_rate_hz, sample_rate_hz)
    return replace(recording, signal=signal, sample_rate_hz=sample_rate_hz)
