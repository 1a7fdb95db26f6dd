"""From what the user names to pieces of recordings that hold one note each.

A piece is a whole file; or a part of one, cut at the times of a manifest, at given times, or at
the onsets that are found (`matcher.target.onsets`). A cut lies at the quietest place near its
time, and both of its sides are faded over 3 ms: of two notes that are tied, the first one ends
there, and its release isn't known.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from matcher.target.level import moving_energy
from matcher.target.manifest import ManifestEntry, is_manifest, read_manifest
from matcher.target.note import GivenNote, NameHints, read_name
from matcher.target.onsets import FoundNotes, find_notes
from matcher.target.pitch import find_pitch
from shared.audio import SIDES, Recording, Stretch, read_recording, resample
from shared.errors import AudioError, ParameterError, TargetError
from shared.units import samples_to_seconds, seconds_to_samples

if TYPE_CHECKING:
    from pathlib import Path

    from shared.types import FloatArray

__all__ = ["Piece", "Split", "check_split", "list_entries", "read_pieces"]

Split = bool | Sequence[float]

FADE_S = 0.003
QUIET_WINDOW_S = 0.005
# Times typed by hand are this uncertain.
BEFORE_S = 0.05
AFTER_S = 0.01
NOTHING_GIVEN = GivenNote(None, None, None)
# Channels that are this much alike hold one picture of the sound. Another side than both together
# is taken where a note is so much clearer there, and clear; 0.5 is a clean tone. Common practice,
# no source.
SAME_SIDES = 0.98
CLEARER = 1.3
CLEAR = 0.25


@dataclass(frozen=True, eq=False)
class Piece:
    """A recording of one note, what messages call it, and where in its file it begins.

    `n_issued` of the recording's warnings were issued when it was read.
    """

    recording: Recording
    source: str
    start_s: float
    given: GivenNote
    hints: NameHints
    n_issued: int


def check_split(split: Split, paths: Sequence[str | Path], instrument: str | None) -> None:
    """Refuse settings that contradict each other, before any file is read."""
    manifests = [path for path in paths if is_manifest(path)]
    if instrument is not None and not manifests:
        raise ParameterError(
            f'instrument is "{instrument}", and no manifest is given; it chooses among the '
            "instruments of a .toml file. Leave it out.",
            name="instrument",
        )
    if split is False:
        return
    if manifests:
        raise ParameterError(
            f"split is set, and {manifests[0]} is a manifest, whose entries are notes already. "
            "Give the recording itself, or an onset_s in each entry.",
            name="split",
        )
    if split is not True:
        _check_times(split, len(paths))


def _check_times(times_s: Sequence[float], n_paths: int) -> None:
    """Refuse times that can't be the beginnings of notes."""
    listed = ", ".join(f"{time_s:g}" for time_s in times_s) or "empty"
    needed = "they must be rising times in s from 0 on"
    is_rising = all(b > a for a, b in itertools.pairwise(times_s))
    if not times_s or not all(math.isfinite(x) and x >= 0.0 for x in times_s) or not is_rising:
        raise ParameterError(f"split is {listed}; {needed}.", name="split")
    if n_paths > 1:
        raise ParameterError(
            f"split is {listed}, and there are {n_paths} recordings; with times there must be "
            "one. Match them from a manifest, with an onset_s for each note.",
            name="split",
        )


def list_entries(
    paths: Sequence[str | Path], instrument: str | None
) -> list[str | Path | ManifestEntry]:
    """Put the entries in the place of manifests."""
    entries: list[str | Path | ManifestEntry] = []
    for path in paths:
        if is_manifest(path):
            entries += read_manifest(path, instrument=instrument)
        else:
            entries.append(path)
    return entries


def read_pieces(
    entry: str | Path | ManifestEntry, split: Split, rate_hz: int, stretch: Stretch
) -> list[Piece]:
    """Read a recording, and cut it if that is wanted: at given times, or at found notes."""
    if isinstance(entry, ManifestEntry):
        return [_piece_of_entry(entry, rate_hz)]
    read = read_recording(entry, stretch=stretch, fold=clearest_side)
    recording = _at_rate(read, rate_hz)
    hints, n_issued = read_name(recording.name), len(recording.warnings)
    if split is False:
        if stretch.from_s > 0.0 or stretch.to_s is not None:
            _check_one_note(recording, str(entry), stretch)
        return [Piece(recording, str(entry), stretch.from_s, NOTHING_GIVEN, hints, n_issued)]
    if split is True:
        starts, ends, texts = _found_cuts(recording, str(entry), stretch.from_s)
    else:
        times_s = [time_s - stretch.from_s for time_s in split]
        starts = [_cut(recording, time_s, str(entry), "split") for time_s in times_s]
        ends, texts = [*starts[1:], recording.signal.size], ()
    recording = replace(recording, warnings=(*recording.warnings, *texts))
    # A name that tells one pitch doesn't tell that of several notes.
    hints = NameHints(None, hints.velocity)
    pieces = []
    for number, (first, last) in enumerate(zip(starts, ends, strict=True), start=1):
        time_s = stretch.from_s + samples_to_seconds(float(first), rate_hz)
        name = f"{recording.name}-{number}"
        source = f"{entry}, note {number} (at {time_s:.2f} s)"
        part = _part(recording, first, last, name)
        pieces.append(Piece(part, source, time_s, NOTHING_GIVEN, hints, n_issued))
        # Said once, with the first note.
        recording, n_issued = replace(recording, warnings=()), 0
    return pieces


def _piece_of_entry(entry: ManifestEntry, rate_hz: int) -> Piece:
    """Read the note of an entry."""
    try:
        recording = _at_rate(read_recording(entry.path, fold=clearest_side), rate_hz)
    except AudioError as error:
        raise AudioError(f"{entry.source}, file: {error}", name="file", path=entry.path) from error
    hints, n_issued = read_name(recording.name), len(recording.warnings)
    source = f"{entry.source} ({entry.path.name})"
    if entry.onset_s is None:
        return Piece(recording, source, 0.0, entry.given, hints, n_issued)
    first = _cut(recording, entry.onset_s, entry.source, "onset_s")
    last = recording.signal.size
    if entry.end_s is not None:
        last = _cut(recording, entry.end_s, entry.source, "onset_s")
        hints = NameHints(None, hints.velocity)
    start_s = samples_to_seconds(float(first), rate_hz)
    part = _part(recording, first, last, entry.name)
    return Piece(part, source, start_s, entry.given, hints, n_issued)


def clearest_side(channels: FloatArray, sample_rate_hz: int) -> tuple[FloatArray, str]:
    """Choose the side of a stereo recording in which one note is clearest; say so, if not both."""
    left, right = channels.T
    common = float(left @ right) / max(float(np.sqrt((left @ left) * (right @ right))), 1e-30)
    mean = channels.mean(axis=1)
    if common > SAME_SIDES:
        return mean, ""
    clear: dict[str, float] = {}
    for side, weights in SIDES.items():
        mono = channels @ np.array(weights)
        pitch = find_pitch(mono, sample_rate_hz=sample_rate_hz) if mono.any() else None
        clear[side] = 0.0 if pitch is None else pitch.strength_ratio
    best = max(clear, key=clear.__getitem__)
    if clear[best] < max(CLEARER * clear["middle"], CLEAR):
        return mean, ""
    said = {"left": "the left channel", "right": "the right channel", "sides": "what differs"}
    text = (
        f"of the two channels {said[best]} is used, where one note is clearest. Give the side "
        "(--side left, right, middle or sides) to decide otherwise."
    )
    return channels @ np.array(SIDES[best]), text


def _check_one_note(recording: Recording, source: str, stretch: Stretch) -> None:
    """Refuse a stretch of a recording that holds several notes."""
    found = find_notes(recording.signal, sample_rate_hz=recording.sample_rate_hz).cuts_s
    if len(found) > 1:
        times = ", ".join(f"{stretch.from_s + time_s:.2f}" for time_s in found)
        raise TargetError(
            f"{source}: the stretch holds {len(found)} notes, at {times} s; it must hold one. "
            "Narrow it (--from, --to), or cut it into notes (--split).",
            path=source,
        )


def _found_cuts(
    recording: Recording, source: str, from_s: float
) -> tuple[list[int], list[int], tuple[str, ...]]:
    """Find the notes; return first and last samples, and what is to be said about them."""
    rate = recording.sample_rate_hz
    found = find_notes(recording.signal, sample_rate_hz=rate)
    if not found.cuts_s:
        raise TargetError(
            f"{source}: no note is found. Give the times at which they begin, for instance "
            "--split 0.1,1.2, or split=[0.1, 1.2] from Python.",
            path=source,
        )
    starts = [seconds_to_samples(time_s, rate) for time_s in found.cuts_s]
    dropped = [seconds_to_samples(time_s, rate) for time_s in found.dropped_s]
    borders = np.array(sorted([*starts, *dropped, recording.signal.size]))
    ends = [int(borders[borders > start][0]) for start in starts]
    return starts, ends, tuple(_texts(found, source, from_s))


def _texts(found: FoundNotes, source: str, from_s: float) -> list[str]:
    """Say what was found, in times of the file."""
    count = "1 note is" if len(found.cuts_s) == 1 else f"{len(found.cuts_s)} notes are"
    times = ",".join(f"{from_s + time_s:.2f}" for time_s in found.cuts_s)
    first = (
        f"{source}: {count} found, at {times.replace(',', ', ')} s. If that is wrong, give the "
        f"times: --split {times}"
    )
    texts = [first]
    for time_s in found.dropped_s:
        reason = "an echo" if time_s in found.echoes_s else "too short or too quiet for a note"
        texts.append(
            f"{source}: the sound at {from_s + time_s:.2f} s is taken for {reason}, and left out. "
            "Give the times of all notes to take it in."
        )
    return texts


def _cut(recording: Recording, time_s: float, source: str, name: str) -> int:
    """Return the sample at the quietest place about a time."""
    signal, rate = recording.signal, recording.sample_rate_hz
    duration_s = samples_to_seconds(float(signal.size), rate)
    if time_s >= duration_s:
        raise TargetError(
            f"{source}, {name}: {time_s:g} s lies behind the end of the recording, at "
            f"{duration_s:.2f} s. Give a time before it.",
            name=name,
        )
    n_window = seconds_to_samples(QUIET_WINDOW_S, rate)
    first = max(0, seconds_to_samples(time_s - BEFORE_S, rate))
    last = min(seconds_to_samples(time_s + AFTER_S, rate), signal.size)
    power = moving_energy(signal[first : last + n_window], n_window)
    if not power.size:
        return first
    # Of several places that are equally quiet (silence), the last: nothing of the note before.
    quietest = np.flatnonzero(power <= power.min() + 1e-12)
    return first + int(quietest[-1])


def _part(recording: Recording, first: int, last: int, name: str) -> Recording:
    """Cut a part out of a recording, and fade its ends."""
    part = recording.signal[first:last].copy()
    n_fade = min(seconds_to_samples(FADE_S, recording.sample_rate_hz), part.size // 2)
    rise: FloatArray = 0.5 - 0.5 * np.cos(np.pi * (np.arange(n_fade) + 0.5) / max(n_fade, 1))
    if first > 0:
        part[:n_fade] *= rise
    if last < recording.signal.size:
        part[part.size - n_fade :] *= rise[::-1]
    return replace(recording, signal=part, name=name)


def _at_rate(recording: Recording, sample_rate_hz: int) -> Recording:
    """Resample a recording."""
    if recording.sample_rate_hz == sample_rate_hz:
        return recording
    signal = resample(recording.signal, recording.sample_rate_hz, sample_rate_hz)
    return replace(recording, signal=signal, sample_rate_hz=sample_rate_hz)
