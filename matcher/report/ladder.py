"""The ladder of a match as a report shows it: patches from short to close, each to be heard."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from matcher.playing import noise_seed
from matcher.report.notes import listening_pair
from matcher.report.sounds import PlainSound, match_loudness
from matcher.runs import find_version
from shared import EarwrightError
from voice import render

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any

    from matcher.report.notes import ReadNote
    from matcher.runs.folder import RunFolder


@dataclass(frozen=True)
class RungView:
    """One rung: settings, distance, what it adds, and its sound on the first note."""

    n_settings: int
    distance: float | None
    adds: tuple[str, ...]
    is_suggested: bool
    version: int
    sound: PlainSound | None


def ladder_view(run: RunFolder, note: ReadNote) -> tuple[RungView, ...]:
    """List the rungs, the shortest first; none for a match that has no ladder."""
    rungs = run.run.get("ladder")
    rungs = sorted(rungs, key=lambda rung: rung["settings"]) if isinstance(rungs, list) else []
    return tuple(_rung(run, rung, note) for rung in rungs)


def _rung(run: RunFolder, rung: Mapping[str, Any], note: ReadNote) -> RungView:
    """Describe one rung."""
    return RungView(
        rung["settings"],
        rung.get("distance"),
        tuple(rung.get("adds") or ()),
        rung.get("is_suggested") is True,
        rung["version"],
        _play(run, rung["version"], note),
    )


def _play(run: RunFolder, version: int, note: ReadNote) -> PlainSound | None:
    """Play a version on a note, as loud as the note; None if it can't be read."""
    try:
        patch = find_version(run.path, version).patch
    except EarwrightError:
        return None
    target, played = listening_pair(note)[0], note.note.played
    sound = render(
        patch,
        midi_pitch=played.midi_pitch,
        velocity=played.velocity,
        gate_s=played.gate_s,
        sample_rate_hz=target.sample_rate_hz,
        phases=patch.phases[0] if patch.phases else None,
        seed=noise_seed(patch.provenance.get("settings")),
    )
    # It is there to be compared with its neighbours, and needn't be exact.
    rung = PlainSound(sound, target.sample_rate_hz, is_exact=False)
    return match_loudness(target, rung)[1]
