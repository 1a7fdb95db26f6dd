"""Runs as the page shows them, and a patch that is changed by hand against its target."""

from __future__ import annotations

import os
import threading
import warnings
from collections import OrderedDict
from typing import TYPE_CHECKING, Any

from matcher.defaults import DEFAULT_STRUCTURE
from matcher.explaining.patch_parts import present_parts
from matcher.hearing import compare_notes
from matcher.page.parameters import describe_parameters, describe_values
from matcher.page.pictures import picture
from matcher.page.searches import exact_note, target_in
from matcher.runs import find_version
from matcher.runs.run_folder import load_run
from matcher.runs.run_structure import load_patch_and_structure
from matcher.target import target_from_signal
from shared import (
    CATALOGUE,
    EarwrightError,
    EarwrightWarning,
    ParameterError,
    Patch,
    StructureError,
    read_recording,
)
from voice import Structure, load_structure

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from matcher.page.placing import Placer, Played
    from matcher.page.workspace import Workspace
    from matcher.runs.run_folder import RunFolder, RunNote
    from matcher.target import TargetNote

__all__ = ["RunShelf", "picture_of"]

_KEPT = 8


class RunShelf:
    """The runs in a workspace.

    Parameters
    ----------
    workspace : Workspace
        Where they are.
    placer : Placer
        Plays patches beside their targets.
    """

    def __init__(self, workspace: Workspace, placer: Placer) -> None:
        self._workspace = workspace
        self._placer = placer
        self._notes: OrderedDict[object, TargetNote] = OrderedDict()
        self._listed: dict[str, tuple[int, dict[str, object]]] = {}
        self._lock = threading.Lock()

    def path(self, name: str) -> Path:
        """Find the folder of a run."""
        return self._workspace.existing(self._workspace.runs, name)

    def load(self, name: str) -> RunFolder:
        """Read a run by its name."""
        return load_run(self.path(name))

    def patch(self, name: str, version: object = None) -> Patch:
        """Return the current patch of a run, or one of its versions.

        Parameters
        ----------
        name : str
            Name of the run.
        version : int, optional
            Number of the version.

        Returns
        -------
        Patch
            The patch.

        Raises
        ------
        RunFolderError
            If the run has no such version.
        """
        if version is None:
            return self.load(name).patch
        if not isinstance(version, int) or isinstance(version, bool):
            raise ParameterError(f"version is {version!r:.40}; a number is accepted.")
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
        stamp = (self.path(name) / "run.json").stat().st_mtime_ns
        if known is not None and known[0] == stamp:
            return known
        return stamp, self._in_short(name)

    def _in_short(self, name: str) -> dict[str, object]:
        """Say of a run what tells it from others, or why it can't be read."""
        try:
            run = self.load(name)
        except EarwrightError as error:
            folder = f"{self._workspace.root}{os.sep}"
            return {"name": name, "problem": str(error).replace(folder, "")}
        return {
            "name": name,
            "structure": run.patch.structure,
            "target": target_in(self._workspace, run.run.get("command_line")),
            "loss": _end_loss(run),
            "notes": [note.name for note in run.notes],
        }

    def describe(self, name: str) -> dict[str, object]:
        """Say all about a run that the page shows.

        Parameters
        ----------
        name : str
            Name of the run.

        Returns
        -------
        dict
            Notes, patch, parts of the voice, losses, sentences, settings.
        """
        run = self.load(name)
        document: Mapping[str, Any] = run.run
        structure = self.structure_of(name)
        return {
            "name": name,
            "structure": {"name": structure.name, "meaning": structure.meaning},
            "parts": describe_parameters(structure),
            "values": describe_values(run.patch.values),
            "hearable": present_parts(run.patch.values),
            "groups": sorted({parameter.group for parameter in CATALOGUE}),
            "loss": document.get("loss"),
            "history": document.get("history", []),
            "figures": document.get("figures"),
            "settings": document.get("settings"),
            "stop_reason": document.get("stop_reason"),
            "command_line": document.get("command_line"),
            "warnings": document.get("warnings", []),
            "notes": [
                _describe_note(note, entry)
                for note, entry in zip(run.notes, document["notes"], strict=True)
            ],
        }

    def sound(self, name: str, number: int, which: str) -> bytes:
        """Return target or match of a note as a WAV file, as the run keeps it.

        Parameters
        ----------
        name : str
            Name of the run.
        number : int
            Number of the note, from 0.
        which : str
            "target" or "match".

        Returns
        -------
        bytes
            The file; it was limited in level when it was written.
        """
        return self._file(name, number, which).read_bytes()

    def picture(self, name: str, number: int, which: str) -> dict[str, object]:
        """Return the picture of a sound of a run."""
        return picture_of(self._file(name, number, which))

    def structure_of(self, name: str) -> Structure:
        """Load the structure that a run was searched with; the whole voice if it is lost.

        Parameters
        ----------
        name : str
            Name of the run.

        Returns
        -------
        Structure
            The structure.
        """
        try:
            return load_patch_and_structure(self.path(name))[1]
        except StructureError:
            return load_structure(DEFAULT_STRUCTURE)

    def play(self, name: str, number: int, patch: Patch) -> Played:
        """Play a patch on a note of a run, beside its target.

        Parameters
        ----------
        name : str
            Name of the run.
        number : int
            Number of the note.
        patch : Patch
            The run's patch, or what was made of it.

        Returns
        -------
        Played
            The sound in the target's place, and its loss.
        """
        run = self.load(name)
        gate_s, weights = _note_of(run, number).played.gate_s, _weights(run)
        note = self._note(run, number)
        return self._placer.play(note, number, patch, gate_s=gate_s, weights=weights)

    def differences(self, name: str, number: int, patch: Patch) -> list[dict[str, object]]:
        """Say in words what is audible between a patch and a note of its target."""
        note = self._note(self.load(name), number)
        sound = self.play(name, number, patch).sound
        return [each.to_dict() for each in compare_notes(note, sound)]

    def _note(self, run: RunFolder, number: int) -> TargetNote:
        """Analyse a note of a run, once."""
        note = _note_of(run, number)
        key = (note.target, note.target.stat().st_mtime_ns, note.played)
        with self._lock:
            known = self._notes.get(key)
        if known is None:
            known = exact_note(run, number) or _read_note(note)
            with self._lock:
                self._notes[key] = known
                while len(self._notes) > _KEPT:
                    self._notes.popitem(last=False)
        return known

    def _file(self, name: str, number: int, which: str) -> Path:
        """Find a sound file of a run."""
        note = _note_of(self.load(name), number)
        if which not in {"target", "match"}:
            raise ParameterError(
                f'"{which[:20]}" is no sound of a run; target or match is accepted.', name="which"
            )
        return note.target if which == "target" else note.match


def _weights(run: RunFolder) -> Mapping[str, float] | None:
    """Return the weights of the loss that a run was searched with."""
    settings = run.run.get("settings")
    weights = settings.get("weights") if isinstance(settings, dict) else None
    return weights if isinstance(weights, dict) else None


def picture_of(path: Path) -> dict[str, object]:
    """Return the picture of a sound file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    dict
        As `matcher.page.pictures.picture` makes it.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", EarwrightWarning)
        recording = read_recording(path)
    return picture(recording.signal, recording.sample_rate_hz)


def _note_of(run: RunFolder, number: int) -> RunNote:
    """Look a note up."""
    if not 0 <= number < len(run.notes):
        raise ParameterError(
            f"note is {number}; 0 to {len(run.notes) - 1} is accepted.", name="note", value=number
        )
    return run.notes[number]


def _end_loss(run: RunFolder) -> object:
    """Return the loss of a run, if it says one."""
    loss = run.run.get("loss")
    end = loss.get("end") if isinstance(loss, dict) else None
    return end.get("total") if isinstance(end, dict) else None


def _describe_note(note: RunNote, entry: Mapping[str, Any]) -> dict[str, object]:
    """Describe one note of a run."""
    return {
        "name": note.name,
        "midi_pitch": note.played.midi_pitch,
        "velocity": note.played.velocity,
        "gate_s": note.played.gate_s,
        "onset_s": entry.get("onset_s"),
        "loss": entry.get("loss"),
        "audible": entry.get("audible", []),
        "not_audible": entry.get("not_audible", []),
    }


def _read_note(note: RunNote) -> TargetNote:
    """Read the target of a note as it was matched."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", EarwrightWarning)
        recording = read_recording(note.target)
        return target_from_signal(
            recording.signal,
            recording.sample_rate_hz,
            name=note.name,
            midi_pitch=note.played.midi_pitch,
            velocity=note.played.velocity,
            gate_s=note.played.gate_s,
        )
