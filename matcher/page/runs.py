"""Runs as the page shows them: played beside their targets, gone on with, compared."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from matcher.comparing import load_comparison, run_folder
from matcher.defaults import WHOLE_VOICE
from matcher.explaining.keyboard import Keyboard
from matcher.explaining.patch_parts import present_parts
from matcher.hearing import compare_notes
from matcher.page.sounds import TargetPlayer, picture
from matcher.page.structures import describe_parameters, describe_values
from matcher.page.targets import quietly
from matcher.page.workspace import Kept
from matcher.report.drawings import comparison_drawings, keyboard_drawings
from matcher.report.notes import drawings_of, read_notes
from matcher.runs import find_version, list_versions
from matcher.runs.folder import load_patch_and_structure, load_run
from matcher.runs.lock import lock_run
from matcher.runs.searches import list_searches
from matcher.target import target_from_signal
from matcher.texts.words import stop_reason_text
from shared import (
    CATALOGUE,
    EarwrightError,
    ParameterError,
    Patch,
    RunFolderError,
    StructureError,
    pitch_name,
    read_recording,
)
from voice import Structure, load_structure

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from matcher.comparing import Comparison
    from matcher.page.sounds import Played
    from matcher.page.workspace import Workspace
    from matcher.report.drawings import Drawing
    from matcher.runs.folder import RunFolder, RunNote
    from matcher.target import TargetNote

# Notes whose analysis is kept.
_KEPT = 8


class PageRuns:
    """The runs in a workspace; interrupted searches have a folder among them, without a result."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._notes: Kept[TargetNote] = Kept(_KEPT)
        self._listed: dict[str, tuple[int, dict[str, object]]] = {}
        self._drawings: Kept[dict[str, Drawing]] = Kept(_KEPT)
        self.player = TargetPlayer()

    def path(self, name: str) -> Path:
        """Find the folder of a run."""
        return self._workspace.existing(self._workspace.runs, name)

    def load(self, name: str) -> RunFolder:
        """Read a run by its name."""
        return load_run(self.path(name))

    def patch(self, name: str, version: object = None) -> Patch:
        """Return the current patch of a run, or one of its versions."""
        if version is None:
            return self.load(name).patch
        if not isinstance(version, int) or isinstance(version, bool):
            raise ParameterError(f"version is {version!r:.40}; it must be a number.")
        return find_version(self.path(name), version).patch

    def list_all(self) -> list[dict[str, object]]:
        """List the runs, newest first, with what tells them apart."""
        names = self._workspace.names(self._workspace.runs, "run.json")
        known = self._listed
        # Made anew, as several requests may list at once; what is gone is forgotten.
        listed = {name: self._listed_run(name, known.get(name)) for name in names}
        self._listed = listed
        return [entry for _, entry in listed.values()]

    def _listed_run(
        self, name: str, known: tuple[int, dict[str, object]] | None
    ) -> tuple[int, dict[str, object]]:
        """Describe a run for the list; one whose file hasn't changed is kept from before."""
        stamp = (self._workspace.runs / name / "run.json").stat().st_mtime_ns
        if known is not None and known[0] == stamp:
            return known
        return stamp, self._in_short(name)

    def _in_short(self, name: str) -> dict[str, object]:
        """Say of a run what tells it from others, or why it can't be read."""
        try:
            run = self.load(name)
        except EarwrightError as error:
            return {"name": name, "problem": self._workspace.shown(str(error))}
        return {
            "name": name,
            "structure": run.patch.structure,
            "target": self._target_in(run.run.get("command_line")),
            "loss": _end_loss(run),
            "notes": [note.name for note in run.notes],
        }

    def describe(self, name: str) -> dict[str, object]:
        """Say all about a run that the page shows."""
        run = self.load(name)
        document: Mapping[str, Any] = run.run
        structure = self.structure_of(name)
        kept = ("loss", "figures", "settings", "stop_reason", "command_line")
        return {
            "name": name,
            "structure": {"name": structure.name, "meaning": structure.meaning},
            "parts": describe_parameters(structure),
            "values": describe_values(run.patch.values),
            "hearable": present_parts(run.patch.values),
            "groups": {name: name for name in sorted({each.group for each in CATALOGUE})},
            **{key: document.get(key) for key in kept},
            "version": _current(self.path(name)),
            "ladder": document.get("ladder") or [],
            "closest_tried": _closest_tried(document),
            "end_text": stop_reason_text(document.get("stop_reason")),
            "history": document.get("history", []),
            "warnings": document.get("warnings", []),
            "notes": [
                _describe_note(note, entry)
                for note, entry in zip(run.notes, document["notes"], strict=True)
            ],
        }

    def structure_of(self, name: str) -> Structure:
        """Load the structure that a run was searched with; the whole voice if it is lost."""
        try:
            return load_patch_and_structure(self.path(name))[1]
        except StructureError:
            return load_structure(WHOLE_VOICE)

    def play(self, name: str, number: int, patch: Patch) -> Played:
        """Play the run's patch, or what was made of it, on a note beside its target."""
        run = self.load(name)
        gate_s, weights = note_of(run, number).played.gate_s, _weights(run)
        note = self._note(run, number)
        return self.player.play(note, number, patch, gate_s=gate_s, weights=weights)

    def differences(self, name: str, number: int, played: Played) -> list[dict[str, object]]:
        """Say in words what is audible between a sound and a note of its target."""
        note = self._note(self.load(name), number)
        return [each.to_dict() for each in compare_notes(note, played.sound)]

    def _note(self, run: RunFolder, number: int) -> TargetNote:
        """Analyse a note of a run, once; exactly that of its search, if that is kept."""
        note = note_of(run, number)

        def read() -> TargetNote:
            searches = [] if run.left_out else list_searches(run.path, "match")
            return searches[-1].target().notes[number] if searches else _read_note(note)

        return self._notes.get((note.target, note.target.stat().st_mtime_ns, note.played), read)

    def drawings(self, name: str, number: int) -> dict[str, Drawing]:
        """List the pictures of a note of a run, by their names."""
        run = self.load(name)
        note = note_of(run, number)
        key = tuple((path, path.stat().st_mtime_ns) for path in (note.target, note.match))
        return self._drawings.get(key, lambda: _by_name(drawings_of(read_notes(run)[number])))

    def keyboard_drawings(self, name: str) -> dict[str, Drawing]:
        """List the pictures of the check of the keyboard, by their names."""
        return _by_name(keyboard_drawings(Keyboard.load(self.path(name))))

    def interrupted(self) -> list[str]:
        """List searches that have ended without a result, and can be gone on with."""
        names = self._workspace.names(self._workspace.runs, "searches")
        parent = self._workspace.runs
        return [n for n in names if not ((parent / n / "run.json").exists() or self._is_busy(n))]

    def _is_busy(self, name: str) -> bool:
        """Say whether somebody works on a run, or it can't be worked on."""
        try:
            with lock_run(self.path(name)):
                return False
        except EarwrightError:
            return True

    def searched(self, name: str) -> dict[str, object]:
        """Say with which structure, seed and target of the page a search works, for going on."""
        searches = list_searches(self.path(name), "match")
        if not searches:
            raise RunFolderError(
                f"{name} holds no search to go on with; it was made before searches were "
                "saved. Match the target again.",
                path=name,
            )
        kept = searches[-1]
        return {
            "structure": kept.structure().name,
            "seed": kept.settings.get("seed", 0),
            "target": self._target_in(kept.request.command_line),
        }

    def target_of(self, run: RunFolder) -> str | None:
        """Find the target of the page that a run was matched to; None if it is none, or gone."""
        return self._target_in(run.run.get("command_line"))

    def _target_in(self, words: object) -> str | None:
        """Find a target of the page among the words of a command line."""
        for word in words if isinstance(words, list) else []:
            path = self._workspace.root / str(word)
            if path.parent.parent == self._workspace.targets and path.is_file():
                return path.parent.name
        return None


class PageComparisons:
    """The comparisons in a workspace: beside the runs, as the command line puts them."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace

    def names(self) -> list[str]:
        """List the comparisons, newest first."""
        return self._workspace.names(self._workspace.runs, "compare.json")

    def path(self, name: str) -> Path:
        """Find the folder of a comparison."""
        return self._workspace.existing(self._workspace.runs, name)

    def load(self, name: str) -> Comparison:
        """Read a comparison, as far as it has come."""
        return load_comparison(self.path(name))

    def best_run(self, name: str, target: str, structure: str) -> RunFolder:
        """Read the best run of a structure on a target."""
        return load_run(run_folder(self.path(name), target, structure))

    def drawings(self, name: str) -> dict[str, Drawing]:
        """List the pictures of a comparison, by their names."""
        return _by_name(comparison_drawings(self.load(name)))

    def describe(self, name: str) -> dict[str, object]:
        """Say what a comparison shows so far; the verdict comes once all runs are there."""
        comparison = self.load(name)
        has_runs = bool(comparison.runs)
        is_whole = has_runs and not comparison.n_missing
        return {
            "name": name,
            "targets": comparison.targets,
            "structures": comparison.structures,
            "settings": dict(comparison.settings),
            "n_finished": len(comparison.runs),
            "n_missing": comparison.n_missing,
            "failed": [vars(each) for each in comparison.failed],
            "pictures": captions(_by_name(comparison_drawings(comparison))),
            "summaries": [
                {
                    "structure": each.structure,
                    "n_runs": each.n_runs,
                    "measures": {key: vars(value) for key, value in each.measures.items()},
                }
                for each in (comparison.summaries if has_runs else ())
            ],
            "verdict": comparison.verdict if is_whole else "",
            "notes": comparison.notes if is_whole else (),
        }


def note_of(run: RunFolder, number: int) -> RunNote:
    """Look a note up."""
    if not 0 <= number < len(run.notes):
        raise ParameterError(
            f"note is {number}; it must be 0 to {len(run.notes) - 1}.", name="note"
        )
    return run.notes[number]


def sound_file(run: RunFolder, number: int, which: str) -> Path:
    """Find target or match of a note as a WAV file, limited in level when it was written."""
    note = note_of(run, number)
    if which not in {"target", "match"}:
        raise ParameterError(
            f'"{which[:20]}" is no sound of a run; it must be target or match.', name="which"
        )
    return note.target if which == "target" else note.match


def picture_of(path: Path) -> dict[str, object]:
    """Return the picture of a sound file."""
    with quietly():
        recording = read_recording(path)
    return picture(recording.signal, recording.sample_rate_hz)


def _by_name(drawings: Iterable[Drawing]) -> dict[str, Drawing]:
    """Put pictures in order by their names."""
    return {drawing.name: drawing for drawing in drawings}


def captions(drawings: Mapping[str, Drawing]) -> list[dict[str, str]]:
    """List names and captions of pictures."""
    return [
        {"name": name, "title": each.title, "text": each.text} for name, each in drawings.items()
    ]


def _weights(run: RunFolder) -> Mapping[str, float] | None:
    """Return the weights of the loss that a run was searched with."""
    weights = run.settings.get("weights")
    return weights if isinstance(weights, dict) else None


def _end_loss(run: RunFolder) -> object:
    """Return the loss of a run, if it says one."""
    loss = run.run.get("loss")
    end = loss.get("end") if isinstance(loss, dict) else None
    return end.get("total") if isinstance(end, dict) else None


def _current(path: Path) -> dict[str, object] | None:
    """Say which version a run shows; None for one that has none."""
    versions = list_versions(path)
    if not versions:
        return None
    last = versions[-1]
    name = last.names[-1] if last.names else ""
    return {"number": last.number, "kind": last.kind, "parent": last.parent, "name": name}


def _closest_tried(document: Mapping[str, Any]) -> float | None:
    """Return the smallest loss of the search, which may be that of a patch with more parts."""
    losses = [point.get("loss") for point in document.get("history") or []]
    return min((x for x in losses if isinstance(x, (int, float))), default=None)


def _describe_note(note: RunNote, entry: Mapping[str, Any]) -> dict[str, object]:
    """Describe one note of a run."""
    return {
        "name": note.name,
        "midi_pitch": note.played.midi_pitch,
        "pitch": pitch_name(note.played.midi_pitch),
        "velocity": note.played.velocity,
        "gate_s": note.played.gate_s,
        "onset_s": entry.get("onset_s"),
        "loss": entry.get("loss"),
        "audible": entry.get("audible", []),
        "not_audible": entry.get("not_audible", []),
    }


def _read_note(note: RunNote) -> TargetNote:
    """Read the target of a note as it was matched."""
    with quietly():
        recording = read_recording(note.target)
        return target_from_signal(
            recording.signal,
            recording.sample_rate_hz,
            name=note.name,
            midi_pitch=note.played.midi_pitch,
            velocity=note.played.velocity,
            gate_s=note.played.gate_s,
        )
