"""The run of an explanation made ready: its patch can be changed, rendered and scored."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from matcher.evaluator import Evaluator
from matcher.losses import PARTS, LossBreakdown, breakdown, totals, weights_for
from matcher.matching import make_problem
from matcher.parts import used_parameters
from matcher.playing import noise_seed, place_notes, prepare_note
from matcher.runs.searches import list_searches
from matcher.target import Target, TargetNote
from matcher.target.analyse import measure_note
from matcher.voice_map import PHASE_DEPTHS
from shared import CATALOGUE, PHASE_NAMES, ParameterSpace, StructureError, read_recording
from voice import Structure, load_structure

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from matcher.losses import NoteTarget
    from matcher.problem import Problem
    from matcher.runs.folder import RunFolder, RunNote
    from shared import FloatArray, Note, Patch
    from shared.types import IntArray

__all__ = ["PreparedRun", "against_itself", "prepare_patch", "prepare_run"]

# A control with more positions than a rotary switch has is turned like a smooth one.
_MOST_POSITIONS = 24
_SCALES = np.array([part.scale for part in PARTS])


@dataclass(frozen=True, eq=False)
class PreparedRun:
    """A patch with its target, and as a candidate, `vector`, that can be changed and scored."""

    evaluator: Evaluator
    patch: Patch
    target: Target
    vector: FloatArray

    @property
    def problem(self) -> Problem:
        """What vectors mean."""
        return self.evaluator.problem

    @property
    def targets(self) -> tuple[NoteTarget, ...]:
        """The notes as the losses know them."""
        return self.evaluator.targets

    @cached_property
    def scores(self) -> FloatArray:
        """Scores of the patch, shape (n_notes, len(PARTS))."""
        scores: FloatArray = self.evaluator.scores(self.vector[None, :])[:, 0]
        return scores

    @cached_property
    def loss(self) -> LossBreakdown:
        """Loss of the patch."""
        return breakdown(self.scores.mean(axis=0), self.evaluator.weights)

    @cached_property
    def values(self) -> dict[str, float]:
        """All values of the patch by name, in physical units."""
        return self.values_of(self.vector)

    @cached_property
    def used(self) -> frozenset[str]:
        """Names of the parameters that do something in the patch."""
        return used_parameters(self.values)

    def values_of(self, vector: FloatArray) -> dict[str, float]:
        """Name the values of a candidate."""
        row = self.problem.values(vector[None, :])[0]
        return dict(zip(CATALOGUE.names, row.tolist(), strict=True))

    def losses_of(self, scores: FloatArray) -> FloatArray:
        """Join scores, shape (n_notes, n_candidates, n_parts), into losses (n_candidates,)."""
        weights = self.evaluator.weights
        losses: FloatArray = np.mean([totals(rows, weights) for rows in scores], axis=0)
        return losses

    def growth(self, scores: FloatArray) -> FloatArray:
        """Largest growth of a part over that of the patch, in just-noticeable differences.

        From shape (n_notes, n_candidates, n_parts) to (n_candidates,).
        """
        largest: FloatArray = ((scores - self.scores[:, None, :]) / _SCALES).max(axis=(0, 2))
        return largest

    def n_positions(self, column: int) -> int:
        """Count the positions of a switch; 0 for what moves smoothly, if only in fine steps."""
        n_cells = int(self.problem.cells[column])
        return n_cells if n_cells <= _MOST_POSITIONS else 0

    def controls_of(self, names: Collection[str]) -> frozenset[str]:
        """Name the controls that set some parameters, where some are linked to others."""
        links = self.problem.structure.links
        return frozenset(names) | {links[name] for name in names if name in links}

    def moving(self, vector: FloatArray, *, without: Collection[str] = ()) -> IntArray:
        """Return the columns of what works in a candidate and moves smoothly, and of phases."""
        values = self.values_of(vector)
        used = self.controls_of(used_parameters(values)).difference(without)
        names = self.problem.space.names
        columns = [i for i, name in enumerate(names) if name in used and not self.n_positions(i)]
        # Phases of what sounds, or moves.
        kinds, is_linked = self.problem.phase_columns, bool(self.problem.structure.links)
        heard = [
            is_linked or any(values[name] != 0.0 for name in PHASE_DEPTHS[PHASE_NAMES[kind]])
            for kind in kinds
        ]
        n_phases = self.problem.n_notes * len(kinds)
        columns += [len(names) + k for k in range(n_phases) if heard[k % len(kinds)]]
        return np.array(columns, dtype=np.int64)

    def sounds(self, vector: FloatArray) -> list[FloatArray]:
        """Play a candidate on each note, on the timeline and at the level of the target."""
        notes, seed = self.evaluator.notes, self.evaluator.seed
        return place_notes(self.problem, vector, self.targets, notes, seed=seed)


@contextmanager
def prepare_run(folder: RunFolder) -> Iterator[PreparedRun]:
    """Make a run ready; the evaluator's threads live as long as the ``with`` block."""
    weights = folder.settings.get("weights")
    target, structure = _target_and_structure(folder)
    with prepare_patch(
        target,
        structure,
        folder.patch,
        weights=weights if isinstance(weights, dict) else None,
        seed=noise_seed(folder.settings),
        played=[note.played for note in folder.notes],
    ) as prepared:
        yield prepared


@contextmanager
def prepare_patch(
    target: Target,
    structure: Structure,
    patch: Patch,
    *,
    weights: Mapping[str, float] | None = None,
    seed: int = 0,
    played: Sequence[Note] | None = None,
) -> Iterator[PreparedRun]:
    """Make a patch and its target ready; notes are played as the target says if left out."""
    problem = make_problem(target, structure, patch.values)
    # Where a part is left out, its oscillator starts as it did.
    problem = replace(problem, base={**problem.base, **patch.values}, references=())
    vector = problem.vector(patch.values, patch.phases)
    notes = [note.note for note in target.notes] if played is None else list(played)
    targets = [prepare_note(note) for note in target.notes]
    with Evaluator(problem, targets, notes, weights=weights_for(weights), seed=seed) as evaluator:
        yield PreparedRun(evaluator, patch, target, vector)


@contextmanager
def against_itself(
    prepared: PreparedRun, vector: FloatArray | None = None
) -> Iterator[PreparedRun]:
    """Make the sound of the patch, or of a candidate, the target."""
    vector = prepared.vector if vector is None else vector
    sounds = zip(prepared.target.notes, prepared.sounds(vector), strict=True)
    notes = tuple(replace(note, signal=sound) for note, sound in sounds)
    before = prepared.evaluator
    with Evaluator(
        before.problem,
        [prepare_note(note) for note in notes],
        before.notes,
        weights=before.weights,
        seed=before.seed,
    ) as evaluator:
        target = replace(prepared.target, notes=notes)
        yield PreparedRun(evaluator, prepared.patch, target, vector)


def _target_and_structure(folder: RunFolder) -> tuple[Target, Structure]:
    """Read both as they were matched; where only the sounds are left, make the target of them."""
    searches = list_searches(folder.path, "match")
    if searches:
        return searches[-1].target(), searches[-1].structure()
    entries = zip(folder.notes, _entries(folder), strict=True)
    return Target(tuple(_target_note(*each) for each in entries)), _structure(folder)


def _entries(folder: RunFolder) -> list[Mapping[str, object]]:
    """Return what `run.json` says about each note."""
    notes = folder.run.get("notes")
    listed = notes if isinstance(notes, list) else []
    return [entry if isinstance(entry, dict) else {} for entry in listed]


def _target_note(note: RunNote, entry: Mapping[str, object]) -> TargetNote:
    """Make the target again from its file, measured as it was when it was matched."""
    recording = read_recording(note.target)
    onset_s = _number(entry, "onset_s", 0.02)
    noise_floor_db = _number(entry, "noise_floor_db", -120.0)
    measured = measure_note(
        recording.signal,
        sample_rate_hz=recording.sample_rate_hz,
        onset_s=onset_s,
        noise_floor_db=noise_floor_db,
        hint_midi_pitch=note.played.midi_pitch,
        gate_s=note.played.gate_s,
        is_whole=False,
    )
    return TargetNote(
        name=note.name,
        signal=recording.signal,
        sample_rate_hz=recording.sample_rate_hz,
        note=note.played,
        onset_s=onset_s,
        source_onset_s=_number(entry, "source_onset_s", 0.0),
        noise_floor_db=noise_floor_db,
        level_db=_number(entry, "level_db", 0.0),
        estimated=frozenset(),
        analysis=measured.analysis,
    )


def _number(entry: Mapping[str, object], name: str, default: float) -> float:
    """Read a number of `run.json`."""
    value = entry.get(name)
    return float(value) if isinstance(value, (int, float)) else default


def _structure(folder: RunFolder) -> Structure:
    """Load the structure, or rebuild it from what the run says, if its file is gone."""
    try:
        return load_structure(folder.patch.structure)
    except StructureError:
        entry = folder.run.get("structure")
        described: Mapping[str, object] = entry if isinstance(entry, dict) else {}
        searched = described.get("searched")
        if not isinstance(searched, list):
            raise
        names = [name for name in CATALOGUE.names if name in searched]
        space = ParameterSpace(tuple(CATALOGUE[name] for name in names))
        fixed = {n: v for n, v in folder.patch.values.items() if n not in names}
        return Structure(
            folder.patch.structure, str(described.get("meaning", "")), space, fixed, {}
        )
