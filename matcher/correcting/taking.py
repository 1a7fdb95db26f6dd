"""Whether a recording is a take of a patch: key, octave, length, level, effects."""

from __future__ import annotations

import warnings as python_warnings
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.target import target_from_signal
from matcher.target.note import NoPitchError
from shared import EarwrightWarning, pitch_name, read_recording
from shared.units import db_to_amplitude, hz_to_midi, seconds_to_samples

if TYPE_CHECKING:
    from pathlib import Path

    from matcher.correcting.reading import TakeFit
    from matcher.target import TargetNote
    from shared import FloatArray

__all__ = ["load_take", "what_is_wrong"]

# A key of the instrument may be this much out of tune and still be the key. Common practice, no
# source, as the rest of these limits.
MOST_SEMITONES = 0.6
# Keys are held by hand, and releases are off as other knobs are: the longer of a share and a time.
HELD_RATIO, HELD_S = 0.35, 0.15
SOFTEST_DB, CLOSEST_FLOOR_DB = -45.0, 24.0
# How far under its loudest moment a sound is held, and where rooms and echoes are heard.
HELD_DB, TAIL_DB = -15.0, -35.0
TAIL_RATIO, TAIL_S = 1.5, 0.3
_WINDOW_S = 0.02
# Of what the fit says: how far controls are from where they were dialled in the mean, as a share
# of their ranges; what is left between take and fit; and what lies between it and what was
# dialled. Takes of the stand-in of the tests, bent by a quarter, have 0.03, 2.5 and 4.
MOST_TRAVEL, MOST_LOSS, MOST_DIALLED = 0.1, 5.0, 7.0


def load_take(path: str | Path, asked: TargetNote) -> TargetNote:
    """Read a take of a note; its pitch is what is heard, whatever was asked for."""
    recording = read_recording(path)
    said: dict[str, Any] = {"name": recording.name, "velocity": asked.note.velocity}
    sound = recording.signal, recording.sample_rate_hz
    # What is assumed is told once, with the recording.
    with python_warnings.catch_warnings():
        python_warnings.simplefilter("ignore", EarwrightWarning)
        take = target_from_signal(
            *sound, midi_pitch=asked.note.midi_pitch, gate_s=asked.note.gate_s, **said
        )
        try:
            heard_hz = target_from_signal(*sound, **said).analysis.pitch_hz
        except NoPitchError:
            heard_hz = None
    return replace(
        take,
        analysis=replace(take.analysis, pitch_hz=heard_hz),
        warnings=(*recording.warnings, *take.warnings),
    )


def what_is_wrong(take: TargetNote, asked: TargetNote, match: FloatArray) -> list[str]:
    """Say why a recording is no take of a patch; `match` is the patch as the voice plays it."""
    told = [*_pitch(take, asked), *_level(take)]
    # What is played on another key, or hardly at all, is measured in vain.
    return told or _length(take, asked, match)


def _pitch(take: TargetNote, asked: TargetNote) -> list[str]:
    """Compare the keys."""
    wanted, heard_hz = asked.note.midi_pitch, take.analysis.pitch_hz
    key = pitch_name(round(wanted))
    if asked.analysis.pitch_hz is None:
        return []
    if heard_hz is None:
        return [f"no pitch is heard in it; it must be {key}."]
    heard = float(hz_to_midi(heard_hz))
    off = heard - float(hz_to_midi(asked.analysis.pitch_hz))
    if abs(off) <= MOST_SEMITONES:
        return []
    octaves = round(off / 12.0)
    if octaves and abs(off - 12.0 * octaves) <= MOST_SEMITONES:
        way = "higher" if octaves > 0 else "lower"
        count = "an octave" if abs(octaves) == 1 else f"{abs(octaves)} octaves"
        return [f"it sounds {count} {way}. Play {key}, or set the octave."]
    text = f"it sounds {pitch_name(round(heard))}; the patch was matched on {key}. Play that."
    return [text]


def _level(take: TargetNote) -> list[str]:
    """Look for what spoils a measurement."""
    told = []
    if any("clipped" in text for text in take.warnings):
        told.append("it is clipped. Record it softer.")
    over_floor_db = take.level_db - take.noise_floor_db
    if take.level_db < SOFTEST_DB:
        told.append(
            f"it is {-take.level_db:.0f} dB under full scale at its loudest; it must be at most "
            f"{-SOFTEST_DB:.0f} dB. Record it louder."
        )
    elif over_floor_db < CLOSEST_FLOOR_DB:
        told.append(
            f"the noise is only {over_floor_db:.0f} dB under it; it must be "
            f"{CLOSEST_FLOOR_DB:.0f} dB or more. Record it louder, or find what hums."
        )
    return told


def _length(take: TargetNote, asked: TargetNote, match: FloatArray) -> list[str]:
    """Compare how long both sound: as long as the key is held, and behind that."""
    sounds = (match, asked.sample_rate_hz, asked.onset_s), (
        take.signal, take.sample_rate_hz, take.onset_s
    )  # fmt: skip
    own_s, heard_s = (_sounding_s(*sound, HELD_DB) for sound in sounds)
    if abs(heard_s - own_s) > max(HELD_RATIO * own_s, HELD_S):
        text = (
            f"it sounds for {1000 * heard_s:.0f} ms, and the patch for {1000 * own_s:.0f} ms. "
            f"Hold the key for {1000 * asked.note.gate_s:.0f} ms, and turn effects off."
        )
        return [text]
    own_s, heard_s = (_sounding_s(*sound, TAIL_DB) for sound in sounds)
    if heard_s > max(TAIL_RATIO * own_s, own_s + TAIL_S):
        text = (
            f"it dies away for {1000 * heard_s:.0f} ms, and the patch for {1000 * own_s:.0f} ms. "
            "Turn effects off, or the release down."
        )
        return [text]
    return []


def _sounding_s(signal: FloatArray, rate: int, onset_s: float, under_db: float) -> float:
    """Say how long after its onset a sound is less than so far under its loudest moment."""
    width = seconds_to_samples(_WINDOW_S, rate)
    n = len(signal) // width
    levels = np.sqrt(np.mean(np.square(signal[: n * width].reshape(n, width)), axis=1))
    least = float(levels.max(initial=0.0)) * float(db_to_amplitude(under_db))
    last = int(np.flatnonzero(levels > least).max(initial=0))
    return max((last + 1) * _WINDOW_S - onset_s, 0.0)


def what_is_strange(fit: TakeFit) -> list[str]:
    """Say why a sound that was fitted can't come from the patch."""
    travel = sum(abs(reading.bias) for reading in fit.readings) / max(len(fit.readings), 1)
    is_near = fit.dialled_loss <= MOST_DIALLED and fit.fitted_loss <= MOST_LOSS
    if is_near and travel <= MOST_TRAVEL:
        return []
    text = (
        "it doesn't sound like this patch. Check that it is dialled, that this instrument is the "
        "one that is recorded, and that nothing else is in the way."
    )
    return [text]
