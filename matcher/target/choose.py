"""Which pitch is taken: the given one, the one in the file name, or the measured one."""

from __future__ import annotations

from dataclasses import dataclass

from shared.errors import TargetError
from shared.notes import pitch_name
from shared.units import hz_to_midi

__all__ = ["ChosenPitch", "choose_pitch"]

# A name means a key; the sound may be this much off it and still be that key. Half a semitone
# plus what a badly tuned instrument adds; common practice, no source.
LARGEST_DETUNE_SEMITONES = 0.6
LARGEST_OCTAVES = 2
UNCERTAIN_RATIO = 0.2


@dataclass(frozen=True)
class ChosenPitch:
    """The pitch that is taken, whether it was estimated, and what was assumed."""

    midi_pitch: float
    is_estimated: bool
    warnings: tuple[str, ...]


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
    if given is not None:
        texts = [] if _is_same_key(given, measured) else [_given_differs(given, measured, source)]
        return ChosenPitch(given, is_estimated=False, warnings=tuple(texts))
    if named is not None:
        octaves = round((measured - named) / 12.0)
        if _is_same_key(named + 12.0 * octaves, measured) and abs(octaves) <= LARGEST_OCTAVES:
            texts = [_octave_differs(named, measured, octaves, source)] if octaves else []
            return ChosenPitch(named, is_estimated=False, warnings=tuple(texts))
        text = (
            f"{source}: the name says {pitch_name(named)}, the sound is "
            f"{pitch_name(measured)}; the sound is believed. Give --pitch to decide otherwise."
        )
        return ChosenPitch(measured, is_estimated=True, warnings=(text,))
    texts = []
    if strength_ratio < UNCERTAIN_RATIO:
        texts.append(
            f"{source}: the pitch is not clear; {pitch_name(measured)} is assumed. Give --pitch "
            "if you know better."
        )
    return ChosenPitch(measured, is_estimated=True, warnings=tuple(texts))


def _is_same_key(expected: float, measured: float) -> bool:
    """Return whether a sound can be that key, out of tune at most."""
    return abs(expected - measured) <= LARGEST_DETUNE_SEMITONES


def _without_measurement(given: float | None, named: float | None, source: str) -> ChosenPitch:
    """Take what was said, if anything was."""
    if given is not None:
        return ChosenPitch(given, is_estimated=False, warnings=())
    if named is not None:
        text = (
            f"{source}: no pitch is found in the sound; {pitch_name(named)} of the name is taken. "
            "Give --pitch to decide otherwise."
        )
        return ChosenPitch(named, is_estimated=False, warnings=(text,))
    raise TargetError(
        f"{source}: no pitch is found in the sound, and the file name has none. Give it, for "
        "instance --pitch C4, or midi_pitch=60 from Python.",
        path=source,
    )


def _given_differs(given: float, measured: float, source: str) -> str:
    """Say that the user's pitch isn't the one of the sound."""
    return (
        f"{source}: the given pitch is {pitch_name(given)}, the sound is {pitch_name(measured)}; "
        "the given pitch is taken. Leave --pitch out to take the sound's."
    )


def _octave_differs(named: float, measured: float, octaves: int, source: str) -> str:
    """Say that the sound is octaves off the key in the name."""
    count = "an octave" if abs(octaves) == 1 else f"{abs(octaves)} octaves"
    return (
        f"{source}: the name says {pitch_name(named)}, and the sound is {count} "
        f"{'above' if octaves > 0 else 'below'} it ({pitch_name(measured)}); the name is taken "
        "for the key that is pressed. Give --pitch to decide otherwise."
    )
