"""From one recording to one note: trim, measure, decide, and say what was assumed.

Who decides about the pitch is said in `matcher.target.load`. A file name such as
``horn_C4_v100.wav`` is cut at ``_``, ``-``, blanks, dots and brackets; only a whole piece counts,
so the C3 of ``track3`` or ``C3PO`` doesn't. Pitches need a capital letter (``Bb3``, ``F#4``):
small ones are more often the number of a take. A name with two different pitches tells none.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from matcher.target.analyse import MeasuredNote, measure_note
from matcher.target.level import FLOOR_DB, NoteSpan, find_span, moving_energy
from matcher.target.model import TargetNote
from shared.errors import ParameterError, TargetError
from shared.notes import Note, parse_pitch, pitch_name
from shared.units import hz_to_midi, samples_to_seconds, seconds_to_samples

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from matcher.target.model import Target
    from shared.audio import Recording
    from shared.types import FloatArray

__all__ = [
    "DEFAULT_VELOCITY",
    "SHORTEST_SOUND_S",
    "ChosenPitch",
    "GivenNote",
    "NameHints",
    "build_note",
    "choose_notes",
    "choose_pitch",
    "read_name",
]

PRE_ONSET_S = 0.02
SHORTEST_SOUND_S = 0.05
SHORTEST_GATE_S = 0.01
NOISY_DB = -40.0
SILENT_PEAK = 1e-4
LEVEL_WINDOW_S = 0.05
# A recording that goes on this long after the note was not cut off in it.
END_MARGIN_S = 0.02
DEFAULT_VELOCITY = 100
# A name means a key; the sound may be this much off it and still be that key. Half a semitone
# plus what a badly tuned instrument adds; common practice, no source.
LARGEST_DETUNE_SEMITONES = 0.6
LARGEST_OCTAVES = 2
UNCERTAIN_RATIO = 0.2
# In the place of names: all notes, one after the other.
EACH = "each"
_CUTS = re.compile(r"[\s_\-.,()\[\]]+")
_PITCH = re.compile(r"[A-G](?:#|b)?[0-8]", re.ASCII)
_VELOCITY = re.compile(r"(?:v|vel)(\d{1,3})", re.ASCII | re.IGNORECASE)

# Notes of a target by name, file name or pitch.
Names: TypeAlias = "str | float | Sequence[str | float]"


class NoPitchError(TargetError):
    """No pitch is found in a sound, and nobody has said one."""


@dataclass(frozen=True)
class GivenNote:
    """What the user says about one note; None where nothing is said."""

    midi_pitch: float | None
    velocity: int | None
    gate_s: float | None


def build_note(
    recording: Recording, source: str, given: GivenNote, hints: NameHints, max_duration_s: float
) -> TargetNote:
    """Make a target note: what is given decides, then the file name, then the sound."""
    rate = recording.sample_rate_hz
    span = _find_note(recording, source)
    n_left = recording.signal.size - span.end
    n_longest = seconds_to_samples(max_duration_s, rate)
    used = replace(span, end=min(span.end, span.onset + n_longest))
    signal, onset_s = _trim(recording.signal, used, rate)
    measured = measure_note(
        signal,
        sample_rate_hz=rate,
        onset_s=onset_s,
        noise_floor_db=span.noise_floor_db,
        hint_midi_pitch=hints.midi_pitch if given.midi_pitch is None else given.midi_pitch,
        gate_s=given.gate_s,
        is_whole=used == span and n_left > seconds_to_samples(END_MARGIN_S, rate),
    )
    analysis = measured.analysis
    pitch = choose_pitch(
        given.midi_pitch,
        hints.midi_pitch,
        analysis.pitch_hz,
        strength_ratio=analysis.pitch_strength_ratio,
        source=source,
    )
    velocity = hints.velocity if given.velocity is None else given.velocity
    gate_s = given.gate_s or max(measured.gate_end_s - onset_s, SHORTEST_GATE_S)
    guessed = {
        "pitch": pitch.is_estimated,
        "velocity": velocity is None,
        "gate": given.gate_s is None,
        "onset": True,
    }
    sound_s = samples_to_seconds(float(signal.size), rate) - onset_s
    warnings = (
        *recording.warnings,
        *_about_sounds(span, rate, source, max_duration_s),
        *filter(None, [pitch.warning]),
        *_about_recording(span, measured, given, source, sound_s),
    )
    return TargetNote(
        name=recording.name,
        signal=signal,
        sample_rate_hz=rate,
        note=Note(pitch.midi_pitch, DEFAULT_VELOCITY if velocity is None else velocity, gate_s),
        onset_s=onset_s,
        source_onset_s=samples_to_seconds(float(span.onset), rate),
        noise_floor_db=span.noise_floor_db,
        level_db=_loudest_db(signal, rate),
        estimated=frozenset(field for field, is_guessed in guessed.items() if is_guessed),
        analysis=analysis,
        warnings=warnings,
    )


def _find_note(recording: Recording, source: str) -> NoteSpan:
    """Find the note, or say why there is none."""
    signal, rate = recording.signal, recording.sample_rate_hz
    peak = float(np.max(np.abs(signal), initial=0.0))
    if peak < SILENT_PEAK:
        raise TargetError(
            f"{source} is silent: its peak is {peak:g} of full scale; it must be "
            f"{SILENT_PEAK:g} or more. Check the recording level.",
            path=source,
        )
    span = find_span(signal, sample_rate_hz=rate)
    sound_s = 0.0 if span is None else samples_to_seconds(float(span.end - span.onset), rate)
    if span is None or sound_s < SHORTEST_SOUND_S:
        raise TargetError(
            f"{source} has {1000.0 * sound_s:.0f} ms of sound above its noise; "
            f"{1000.0 * SHORTEST_SOUND_S:.0f} ms or more are needed. Record a longer note.",
            path=source,
        )
    return span


def _about_sounds(span: NoteSpan, rate: int, source: str, max_duration_s: float) -> Iterator[str]:
    """Say that there is more than one note, and that not all of a long one is used."""
    if span.others:
        places = ", ".join(f"{samples_to_seconds(float(at), rate):.2f} s" for at in span.others)
        yield (
            f"{source} holds other sounds (at {places}); one note is taken, the one at "
            f"{samples_to_seconds(float(span.onset), rate):.2f} s. To use them all, cut the "
            "recording into notes: --split, or split=True from Python."
        )
    sound_s = samples_to_seconds(float(span.end - span.onset), rate)
    if span.end - span.onset > seconds_to_samples(max_duration_s, rate):
        yield (
            f"{source}: the note lasts {sound_s:.1f} s; only the first {max_duration_s:g} s after "
            "its onset are used. Set max_duration_s to use more."
        )


def _trim(signal: FloatArray, span: NoteSpan, rate: int) -> tuple[FloatArray, float]:
    """Cut the note out, from 20 ms before its onset, with silence where there is nothing."""
    n_before = seconds_to_samples(PRE_ONSET_S, rate)
    first = max(0, span.onset - n_before)
    trimmed = np.pad(signal[first : span.end], (n_before - (span.onset - first), 0))
    return trimmed, samples_to_seconds(float(n_before), rate)


def _about_recording(
    span: NoteSpan, measured: MeasuredNote, given: GivenNote, source: str, sound_s: float
) -> Iterator[str]:
    """Say what the recording lacks, or the given gate has too much."""
    if span.noise_floor_db > NOISY_DB:
        yield (
            f"{source} is noisy: the noise before or after the note lies only "
            f"{-span.noise_floor_db:.0f} dB under its peak, and {-NOISY_DB:.0f} dB or more is "
            "wanted. The match will take noise for sound; clean the recording if you can."
        )
    if measured.analysis.is_cut and given.gate_s is None:
        yield (
            f"{source}: what is used of it ends while the note still sounds, so the release is "
            "unknown and the key is taken to be held to the end. Give gate_s if you know better."
        )
    if given.gate_s is not None and given.gate_s > sound_s and not measured.analysis.is_cut:
        yield (
            f"{source}: the key held is given as {given.gate_s:.2f} s, and the sound is over "
            f"after {sound_s:.2f} s, so nothing is learned of the release. Leave --held out to "
            "take the sound's."
        )


def _loudest_db(signal: FloatArray, rate: int) -> float:
    """Return the RMS of the loudest 50 ms in dB re full scale."""
    n_window = min(signal.size, seconds_to_samples(LEVEL_WINDOW_S, rate))
    power = float(np.max(moving_energy(signal, n_window))) / n_window
    return float(max(10.0 * np.log10(max(power, 1e-30)), FLOOR_DB))


@dataclass(frozen=True)
class ChosenPitch:
    """The pitch that is taken, whether it was estimated, and what was assumed, if anything."""

    midi_pitch: float
    is_estimated: bool = False
    warning: str = ""


def choose_pitch(
    given: float | None,
    named: float | None,
    measured_hz: float | None,
    *,
    strength_ratio: float,
    source: str,
) -> ChosenPitch:
    """Decide between up to three statements about one pitch."""
    if measured_hz is None:
        return _without_measurement(given, named, source)
    measured = float(hz_to_midi(measured_hz))
    sound = pitch_name(measured)
    if given is not None:
        differs = (
            f"{source}: the given pitch is {pitch_name(given)}, the sound is {sound}; the given "
            "pitch is taken. Leave --pitch out to take the sound's."
        )
        return ChosenPitch(given, warning="" if _is_same_key(given, measured) else differs)
    if named is not None:
        said = f"{source}: the name says {pitch_name(named)}"
        octaves = round((measured - named) / 12.0)
        if not _is_same_key(named + 12.0 * octaves, measured) or abs(octaves) > LARGEST_OCTAVES:
            text = f"{said}, the sound is {sound}; the sound is believed. Give --pitch to decide"
            return ChosenPitch(measured, is_estimated=True, warning=f"{text} otherwise.")
        count = "an octave" if abs(octaves) == 1 else f"{abs(octaves)} octaves"
        differs = (
            f"{said}, and the sound is {count} {'above' if octaves > 0 else 'below'} it "
            f"({sound}); the name is taken for the key that is pressed. Give --pitch to decide "
            "otherwise."
        )
        return ChosenPitch(named, warning=differs if octaves else "")
    unclear = (
        f"{source}: the pitch is not clear; {sound} is assumed. Give --pitch if you know better."
    )
    return ChosenPitch(
        measured,
        is_estimated=True,
        warning=f"{unclear} Give --pitch if you know better."
        if strength_ratio < UNCERTAIN_RATIO
        else "",
    )


def _is_same_key(expected: float, measured: float) -> bool:
    """Return whether a sound can be that key, out of tune at most."""
    return abs(expected - measured) <= LARGEST_DETUNE_SEMITONES


def _without_measurement(given: float | None, named: float | None, source: str) -> ChosenPitch:
    """Take what was said, if anything was."""
    if given is not None:
        return ChosenPitch(given)
    if named is not None:
        text = (
            f"{source}: no pitch is found in the sound; {pitch_name(named)} of the name is taken."
        )
        return ChosenPitch(named, warning=f"{text} Give --pitch to decide otherwise.")
    raise NoPitchError(
        f"{source}: no pitch is found in the sound, and the file name has none. Give it, for "
        "instance --pitch C4.",
        path=source,
    )


@dataclass(frozen=True)
class NameHints:
    """What a file name says; None where it says nothing."""

    midi_pitch: float | None
    velocity: int | None


def read_name(name: str) -> NameHints:
    """Read pitch and velocity off a file name without its suffix."""
    pieces = _CUTS.split(name)
    pitches = {parse_pitch(piece) for piece in pieces if _PITCH.fullmatch(piece)}
    found = [_VELOCITY.fullmatch(piece) for piece in pieces]
    velocities = {int(match[1]) for match in found if match and 1 <= int(match[1]) <= 127}
    return NameHints(
        pitches.pop() if len(pitches) == 1 else None,
        velocities.pop() if len(velocities) == 1 else None,
    )


def choose_notes(target: Target, leave_out: Names) -> list[int]:
    """Find the notes that are to be left out: their places in the target, rising."""
    if leave_out == EACH:
        places = set(range(len(target.notes)))
        if len(places) < 2:
            raise ParameterError(
                'leave_out is "each", and the target has one note; two or more are needed.',
                name="leave_out",
            )
        return sorted(places)
    wanted: list[str | float] = (
        [leave_out] if isinstance(leave_out, str | int | float) else list(leave_out)
    )
    if EACH in wanted:
        raise ParameterError(
            f'leave_out is {", ".join(map(str, wanted))}; "each" must stand alone.',
            name="leave_out",
        )
    places = {place for one in wanted for place in _places(target, one)}
    if not places or len(places) == len(target.notes):
        raise ParameterError(
            f"leave_out is {', '.join(map(str, wanted)) or 'empty'}, which "
            f"{'leaves no note to fit' if places else 'names no note'}; they must be some of "
            f"the {len(target.notes)} notes, and not all of them.",
            name="leave_out",
        )
    return sorted(places)


def _places(target: Target, wanted: str | float) -> list[int]:
    """Find the notes of a name, a file name or a pitch."""
    names = {str(wanted), Path(str(wanted)).stem}
    places = [i for i, note in enumerate(target.notes) if note.name in names]
    try:
        key = parse_pitch(str(wanted))
    except ParameterError:
        key = None
    if key is not None:
        pitches = [note.note.midi_pitch for note in target.notes]
        near = [i for i, x in enumerate(pitches) if abs(x - key) <= LARGEST_DETUNE_SEMITONES]
        places = sorted({*places, *near})
    if not places:
        known = ", ".join(f"{n.name} ({pitch_name(n.note.midi_pitch)})" for n in target.notes)
        raise ParameterError(
            f"leave_out is {wanted}, which is no note of the target; its notes are {known}. Name "
            'one by its file, name or pitch, or give "each".',
            name="leave_out",
        )
    return places
