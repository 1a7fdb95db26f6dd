"""Two patches side by side: what differs, what that does to the loss, and what is heard of it.

Not loaded with its package: runs, which it reads, compare notes by that package, too.
"""

from __future__ import annotations

import secrets
import shutil
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from matcher.defaults import WHOLE_VOICE
from matcher.hearing import compare_notes
from matcher.hearing.measure import analyse_match
from matcher.losses import weights_for
from matcher.playing import noise_seed
from matcher.runs import PatchChange, compare_patches, find_version
from matcher.runs.folder import equal_gain
from matcher.runs.layout import read_unchecked, unique_names
from matcher.runs.searches import fitted_target, own_search
from matcher.scoring import score_patch
from matcher.target import Target, target_from_signal
from shared import Note, Patch, RunFolderError, write_recording
from voice import load_structure, render

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.hearing import AudibleDifference
    from matcher.losses import LossBreakdown
    from matcher.result import NoteMatch
    from matcher.target import TargetNote
    from voice import Structure

__all__ = ["HeardChange", "PatchDifference", "difference_between", "write_both"]

# Two patches without a target are heard on this note.
PLAIN_NOTE = Note(60.0, 100, 0.8)
PLAIN_RATE_HZ = 44_100


@dataclass(frozen=True)
class HeardChange:
    """One changed parameter, and what is heard of it: the second patch with the old value again.

    `follows` is the parameter that it is linked to, and changes with.
    """

    change: PatchChange
    heard: tuple[AudibleDifference, ...]
    follows: str | None = None

    @property
    def is_audible(self) -> bool:
        """Whether the change alone can be heard."""
        return bool(self.heard)


@dataclass(frozen=True)
class PatchDifference:
    """What differs between two patches, parameter by parameter and note by note.

    `losses` are means over the notes of `run`, None without a target; `heard` names each note and
    all differences of its sounds at one level, the largest first; `sounds` are those sounds.
    """

    names: tuple[str, str]
    changes: tuple[HeardChange, ...]
    losses: tuple[LossBreakdown, LossBreakdown] | None
    run: Path | None
    heard: tuple[tuple[str, tuple[AudibleDifference, ...]], ...]
    sounds: tuple[tuple[NoteMatch, NoteMatch], ...]


@dataclass(frozen=True)
class _Stage:
    """Where patches are played: voice, notes, and how losses are measured."""

    structure: Structure
    target: Target
    gates_s: tuple[float, ...]
    weights: Mapping[str, float]
    seed: int

    def play(self, patch: Patch) -> tuple[LossBreakdown, tuple[NoteMatch, ...]]:
        """Score and play a patch as it is."""
        return score_patch(
            patch,
            self.structure,
            self.target,
            gates_s=self.gates_s,
            weights=self.weights,
            seed=self.seed,
        )


def difference_between(
    a: str | Path,
    b: str | Path,
    *,
    versions: tuple[str | None, str | None] = (None, None),
) -> PatchDifference:
    """Compare two patches by value, by loss and by ear.

    Each is a run folder, in its present state or in that of a version, or a patch file. The loss
    is that on the notes of the first run among them.
    """
    first, second = _read(a, versions[0]), _read(b, versions[1])
    run = first[1] or second[1]
    stage = _plain_stage(first[0]) if run is None else _run_stage(run)
    loss_a, notes_a = stage.play(first[0])
    loss_b, notes_b = stage.play(second[0])
    links = {} if run is None else dict(own_search(run).structure().links)
    return PatchDifference(
        names=(_named(a, versions[0]), _named(b, versions[1])),
        changes=tuple(
            _hear(change, second[0], notes_b, stage, links)
            for change in compare_patches(first[0], second[0])
        ),
        losses=None if run is None else (loss_a, loss_b),
        run=run,
        heard=tuple(
            (before.note.name, _differences(before, after))
            for before, after in zip(notes_a, notes_b, strict=True)
        ),
        sounds=tuple(zip(notes_a, notes_b, strict=True)),
    )


def write_both(difference: PatchDifference, folder: str | Path) -> tuple[Path, ...]:
    """Write ``NAME-a.wav`` and ``NAME-b.wav`` of each note, at one level, into a new folder."""
    path = Path(folder)
    if path.exists():
        raise RunFolderError(
            f"{path} exists; it must be a new folder. Name another one with --audio.",
            path=path,
        )
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(8)}.tmp")
    names = unique_names([before.note.name for before, _ in difference.sounds])
    written = []
    try:
        temporary.mkdir(parents=True)
        for name, (before, after) in zip(names, difference.sounds, strict=True):
            rate = before.note.sample_rate_hz
            gain = equal_gain((before.sound, after.sound), rate)
            for letter, sound in (("a", before.sound), ("b", after.sound)):
                write_recording(temporary / f"{name}-{letter}.wav", sound * gain, rate)
                written.append(path / f"{name}-{letter}.wav")
        temporary.rename(path)
    except OSError as error:
        raise RunFolderError(
            f"{path} can't be written: {error.strerror or error}. Name another one with --audio.",
            path=path,
        ) from error
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
    return tuple(written)


def _named(name: str | Path, version: str | None) -> str:
    """Name a patch, and the version of a run if one is meant."""
    return f"{name}" if version is None else f"{name}, version {version}"


def _read(name: str | Path, version: str | None) -> tuple[Patch, Path | None]:
    """Read a patch, and say which run it belongs to."""
    path = Path(name)
    if path.suffix == ".json":
        return Patch.load(path), None
    own_search(path)  # says what is wrong with a folder that holds no run
    return find_version(path, version).patch, path


def _run_stage(run: Path) -> _Stage:
    """Take notes and voice of a run, as its current version has them."""
    search = own_search(run)
    settings = search.settings
    return _Stage(
        search.structure() if read_unchecked(run) else load_structure(WHOLE_VOICE),
        fitted_target(search),
        find_version(run).gates_s,
        weights_for(settings.get("weights")),
        noise_seed(settings),
    )


def _plain_stage(patch: Patch) -> _Stage:
    """Take one plain note, as the first patch plays it."""
    sound = render(
        patch,
        midi_pitch=PLAIN_NOTE.midi_pitch,
        velocity=PLAIN_NOTE.velocity,
        gate_s=PLAIN_NOTE.gate_s,
        sample_rate_hz=PLAIN_RATE_HZ,
    )
    note = target_from_signal(
        sound,
        PLAIN_RATE_HZ,
        name="C4",
        midi_pitch=PLAIN_NOTE.midi_pitch,
        velocity=PLAIN_NOTE.velocity,
        gate_s=PLAIN_NOTE.gate_s,
    )
    return _Stage(load_structure(WHOLE_VOICE), Target((note,)), (), weights_for(None), 0)


def _hear(
    change: PatchChange,
    b: Patch,
    notes_b: tuple[NoteMatch, ...],
    stage: _Stage,
    links: Mapping[str, str],
) -> HeardChange:
    """Put one value back, and listen to what that does."""
    if change.name in links:
        return HeardChange(change, (), links[change.name])
    if not change.is_used:
        return HeardChange(change, ())
    # Parameters that are linked to it follow, as the structure of the run plays them.
    _, notes = stage.play(b.replace(values={change.name: change.before}))
    heard = [
        difference
        for before, after in zip(notes, notes_b, strict=True)
        for difference in _differences(before, after)
        if difference.is_audible
    ]
    return HeardChange(change, tuple(sorted(heard, key=lambda found: -found.steps)))


def _differences(before: NoteMatch, after: NoteMatch) -> tuple[AudibleDifference, ...]:
    """Compare two sounds on the timeline of one note; nothing if one of them is silent."""
    if not np.any(before.sound) or not np.any(after.sound):
        return ()
    return compare_notes(_as_note(before), after.sound)


def _as_note(match: NoteMatch) -> TargetNote:
    """Take a sound for the note itself."""
    analysis = analyse_match(match.note, match.sound)
    return replace(match.note, signal=match.sound, analysis=analysis)
