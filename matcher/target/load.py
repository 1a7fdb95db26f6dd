"""From recordings to a target.

Who decides what, in this order:

- *Pitch.* What the user gives. Else the file name, if the measured pitch is the same key or one
  some octaves away: the name says which key is pressed, and a patch may well sound an octave off
  it. Else the measured pitch, with its cents.
- *Velocity.* What the user gives, else the file name, else 100.
- *Gate.* What the user gives, else where the release begins (`matcher.target.envelope`).

Where a manifest (`matcher.target.manifest`) says something, it counts as given, unless the user
says something else. A recording of several notes is cut by `matcher.target.pieces`.

All that was assumed is in the note's `warnings`, and is issued as `EarwrightWarning`, too.
"""

from __future__ import annotations

import warnings as python_warnings
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.target.manifest import is_manifest
from matcher.target.model import Target, TargetNote
from matcher.target.note import (
    DEFAULT_VELOCITY,
    SHORTEST_SOUND_S,
    GivenNote,
    NameHints,
    build_note,
)
from matcher.target.pieces import Split, check_split, list_entries, read_pieces
from shared.audio import MAX_SAMPLE_RATE_HZ, MIN_SAMPLE_RATE_HZ, WHOLE, Recording, Stretch
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
# Notes struck this differently are expected to differ in level; recordings that were normalised
# by their peaks lie this close in the loudest 50 ms. Common practice, no source.
LEAST_VELOCITIES = 16
EQUAL_DB = 1.5


def load_target(
    *paths: str | Path,
    midi_pitch: Pitch | Sequence[Pitch | None] | None = None,
    velocity: int | Sequence[int | None] | None = None,
    gate_s: float | Sequence[float | None] | None = None,
    instrument: str | None = None,
    split: Split = False,
    sample_rate_hz: int = 44_100,
    max_duration_s: float = MAX_DURATION_S,
    stretch: Stretch = WHOLE,
) -> Target:
    """Read recordings, and find out what is played in them.

    Parameters
    ----------
    *paths : str or Path
        Audio files, one note each. Names such as ``horn_C4_v100.wav`` tell pitch and velocity.
        A ``.toml`` file is a manifest, which lists notes; see `matcher.target.manifest`.
    midi_pitch : float, str, or one for each note, optional
        Pitch of the notes: MIDI pitch (60 is C4) or a name such as ``"Bb3"``; None estimates.
    velocity : int, or one for each note, optional
        Velocity of the notes, 1 to 127.
    gate_s : float, or one for each note, optional
        How long the keys are held, in s.
    instrument : str, optional
        Which instrument of a manifest; needed if it has several.
    split : bool or sequence of float
        True finds the notes of recordings that hold several, and says how many they are; times
        in s say where the notes of one recording begin.
    sample_rate_hz : int, 8000 to 192000
        Rate at which the target is matched; the files may have any other.
    max_duration_s : float, 0.05 to 60
        Use at most this many seconds after each onset.
    stretch : Stretch
        Which part and which side of a longer recording is used; that of one recording only.

    Returns
    -------
    Target
        Notes in the order of the paths, of manifests, and of time.

    Raises
    ------
    AudioError
        If a file can't be used; see `shared.read_recording`.
    TargetError
        If no path is given, a manifest can't be understood, or a recording has no note: nothing
        that stands out of the noise, less than 50 ms of sound, or no pitch.
    ParameterError
        If a setting lies outside its range, or there are more or fewer of it than notes.

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
    _check_range("max_duration_s", max_duration_s, SHORTEST_SOUND_S, LONGEST_DURATION_S, "s")
    _check_range("sample_rate_hz", sample_rate_hz, MIN_SAMPLE_RATE_HZ, MAX_SAMPLE_RATE_HZ, "Hz")
    check_split(split, paths, instrument)
    if stretch != WHOLE and (len(paths) > 1 or is_manifest(paths[0])):
        raise ParameterError(
            f"a stretch is given, and {len(paths)} recordings or a manifest; it must be one "
            "recording. Match several stretches from a manifest, with an onset_s for each note.",
            name="stretch",
        )
    # Everything that is given is checked before the first recording is read.
    settings = midi_pitch, velocity, gate_s
    entries = list_entries(paths, instrument)
    if split is False:
        _spread(settings, len(entries), "recording")
    else:
        _check_alone(settings)
    pieces = [
        piece for entry in entries for piece in read_pieces(entry, split, sample_rate_hz, stretch)
    ]
    all_given = _spread(settings, len(pieces), "recording" if split is False else "found note")
    notes = []
    for piece, given in zip(pieces, all_given, strict=True):
        known = _joined(given, piece.given)
        note = build_note(piece.recording, piece.source, known, piece.hints, max_duration_s)
        _issue(note.warnings[piece.n_issued :])
        notes.append(replace(note, source_onset_s=piece.start_s + note.source_onset_s))
    texts = [*(about_velocities(notes) if split is not False else ()), *about_levels(notes)]
    _issue(texts)
    notes[0] = replace(notes[0], warnings=(*notes[0].warnings, *texts))
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
    _check_range("max_duration_s", max_duration_s, SHORTEST_SOUND_S, LONGEST_DURATION_S, "s")
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


def _check_range(name: str, value: float, low: float, high: float, unit: str) -> None:
    """Refuse a setting that leaves nothing, or that no measure here is meant for."""
    if not low <= value <= high:
        raise ParameterError(
            f"{name} is {value:g} {unit}; it must be {low:g} to {high:g} {unit}.", name=name
        )


def _spread(settings: tuple[Any, Any, Any], n_notes: int, what: str) -> list[GivenNote]:
    """Spread pitch, velocity and gate over all notes, or check that there is one for each."""
    columns = []
    for name, setting in zip(("midi_pitch", "velocity", "gate_s"), settings, strict=True):
        values = list(setting) if _is_list(setting) else [setting] * n_notes
        if len(values) != n_notes:
            raise ParameterError(
                f"{name} has {len(values)} values for {n_notes} {what}"
                f"{'' if n_notes == 1 else 's'}; there must be one for all of them, "
                "or one for each.",
                name=name,
            )
        columns.append(values)
    return [_check_given(*each) for each in zip(*columns, strict=True)]


def _check_alone(settings: tuple[Any, Any, Any]) -> None:
    """Check ranges while it isn't known yet how many notes there are."""
    for place, setting in enumerate(settings):
        for value in setting if _is_list(setting) else [setting]:
            _check_given(*(value if i == place else None for i in range(3)))


def _is_list(setting: object) -> bool:
    """Whether there is a value for each note."""
    return not isinstance(setting, str) and isinstance(setting, (Sequence, np.ndarray))


def _joined(given: GivenNote, other: GivenNote) -> GivenNote:
    """Fill what the user doesn't say with what the manifest says."""
    return GivenNote(
        other.midi_pitch if given.midi_pitch is None else given.midi_pitch,
        other.velocity if given.velocity is None else given.velocity,
        other.gate_s if given.gate_s is None else given.gate_s,
    )


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


def about_velocities(notes: Sequence[TargetNote]) -> list[str]:
    """Say that the notes of a split recording all get one velocity."""
    unknown = [note for note in notes if "velocity" in note.estimated]
    if len(notes) < 2 or not unknown:
        return []
    is_one = len(unknown) == 1
    levels = [note.level_db for note in unknown]
    text = (
        f"Nothing tells how hard {unknown[0].name if is_one else f'the {len(unknown)} notes'} "
        f"{'was' if is_one else 'were'} struck, so velocity {unknown[0].note.velocity} is taken"
    )
    if not is_one:
        text += f" for all; their levels lie within {max(levels) - min(levels):.1f} dB"
    return [f"{text}. Give --velocity, one value for each note, if they differ."]


def about_levels(notes: Sequence[TargetNote]) -> list[str]:
    """Say where recordings seem to have been normalised."""
    keys: dict[int, list[TargetNote]] = {}
    for note in notes:
        if "velocity" not in note.estimated:
            keys.setdefault(round(note.note.midi_pitch), []).append(note)
    texts = []
    for same in keys.values():
        soft, loud = (pick(same, key=lambda note: note.note.velocity) for pick in (min, max))
        gap_db = loud.level_db - soft.level_db
        if loud.note.velocity - soft.note.velocity < LEAST_VELOCITIES or abs(gap_db) > EQUAL_DB:
            continue
        texts.append(
            f"{soft.name} and {loud.name} are equally loud (within {abs(gap_db):.1f} dB) at "
            f"velocities {soft.note.velocity} and {loud.note.velocity}. If the recordings were "
            "normalised, they don't tell how level responds to velocity: set "
            "amp_env.velocity_db by ear."
        )
    return texts
