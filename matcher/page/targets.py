"""Targets of the page: recordings, what is heard in them, and what the user says instead.

A target is a folder with recordings and a manifest (`matcher.target.manifest`); what is corrected
by hand is written into the manifest, and `matcher.load_target` does the rest.
"""

from __future__ import annotations

import threading
import warnings
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from matcher.page._manifest_text import manifest_text
from matcher.page._note_view import accepted_corrections, describe_note
from matcher.page._uploads import check_length, checked_name, free_file
from matcher.page.sound import wav_bytes
from matcher.target import load_target
from matcher.target.manifest import read_manifest
from shared import EarwrightWarning, ParameterError, write_atomic

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from matcher.page.workspace import Workspace
    from matcher.target import Target

__all__ = ["MAX_FILES", "MAX_FILE_BYTES", "MAX_NOTES", "MAX_TARGETS", "TargetShelf"]

MANIFEST = "manifest.toml"
MAX_FILE_BYTES = 64_000_000
MAX_FILES = 24
MAX_NOTES = 48
MAX_TARGETS = 500
_KEPT = 4


@dataclass(frozen=True)
class _Loaded:
    """A target as it was when its files had this stamp."""

    stamp: tuple[tuple[str, int, int], ...]
    target: Target


class TargetShelf:
    """The targets in a workspace.

    Parameters
    ----------
    workspace : Workspace
        Where they are.
    """

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._loaded: OrderedDict[str, _Loaded] = OrderedDict()
        self._lock = threading.Lock()

    def names(self) -> list[str]:
        """List the targets, newest first."""
        return self._workspace.names(self._workspace.targets, MANIFEST)

    def manifest(self, name: str) -> Path:
        """Find the manifest of a target, for `matcher.load_target`."""
        return self._workspace.existing(self._workspace.targets, name) / MANIFEST

    def add(self, file_name: str, content: bytes, *, to: str | None = None) -> str:
        """Keep a recording, in a new target or in one that is there.

        Parameters
        ----------
        file_name : str
            What the file is called on the user's machine; it may tell pitch and velocity.
        content : bytes
            The file.
        to : str, optional
            The target that gets another note.

        Returns
        -------
        str
            Name of the target.

        Raises
        ------
        AudioError
            If it is no recording that `matcher.load_target` takes; nothing is kept then.
        ParameterError
            If there are too many targets or files.
        """
        stem, suffix = checked_name(file_name)
        if to is None:
            if len(self.names()) >= MAX_TARGETS:
                raise _too_many("targets", MAX_TARGETS)
            folder = self._workspace.new_folder(self._workspace.targets, stem, default="recording")
            entries: list[dict[str, object]] = []
        else:
            folder = self._workspace.existing(self._workspace.targets, to)
            entries = _entries(folder)
            if len({entry["file"] for entry in entries}) >= MAX_FILES:
                raise _too_many("recordings in one target", MAX_FILES)
        path = free_file(folder, stem, suffix)
        try:
            write_atomic(path, content, overwrite=False)
            check_length(path)
            entries.append({"file": path.name})
            _load_quietly(path)
            _write(folder, entries)
        except Exception:
            path.unlink(missing_ok=True)
            if to is None:
                _remove_empty(folder)
            raise
        return folder.name

    def load(self, name: str) -> Target:
        """Read a target; one whose files haven't changed is kept from the last time.

        Parameters
        ----------
        name : str
            Name of the target.

        Returns
        -------
        Target
            As `matcher.load_target` reads the manifest.
        """
        folder = self._workspace.existing(self._workspace.targets, name)
        stamp = _stamp(folder)
        with self._lock:
            known = self._loaded.get(name)
            if known is not None and known.stamp == stamp:
                return known.target
        target = _load_quietly(folder / MANIFEST)
        with self._lock:
            self._loaded[name] = _Loaded(stamp, target)
            self._loaded.move_to_end(name)
            while len(self._loaded) > _KEPT:
                self._loaded.popitem(last=False)
        return target

    def describe(self, name: str) -> dict[str, object]:
        """Say what is heard in a target, and what was said by hand.

        Parameters
        ----------
        name : str
            Name of the target.

        Returns
        -------
        dict
            ``notes``, each with picture, what is played, where that comes from, and warnings.
        """
        target = self.load(name)
        entries = _entries(self._workspace.existing(self._workspace.targets, name))
        return {
            "name": name,
            "sample_rate_hz": target.sample_rate_hz,
            "notes": [
                describe_note(note, entry)
                for note, entry in zip(target.notes, entries, strict=True)
            ],
        }

    def wav(self, name: str, number: int) -> bytes:
        """Return one note of a target as a WAV file, limited in level."""
        notes = self.load(name).notes
        if not 0 <= number < len(notes):
            raise ParameterError(
                f"note is {number}; 0 to {len(notes) - 1} is accepted.", name="note", value=number
            )
        return wav_bytes(notes[number].signal, notes[number].sample_rate_hz)[0]

    def correct(self, name: str, corrections: Sequence[Mapping[str, object]]) -> None:
        """Write what the user says about the notes.

        Parameters
        ----------
        name : str
            Name of the target.
        corrections : sequence of mapping
            One for each note: ``pitch`` (text), ``velocity``, ``gate_s``, ``onset_s``; what is
            missing or None is taken from the sound or the file's name.

        Raises
        ------
        ParameterError
            If there are more or fewer of them than notes.
        TargetError
            If a value isn't accepted; the manifest stays as it was.
        """
        folder = self._workspace.existing(self._workspace.targets, name)
        entries = _entries(folder)
        if len(corrections) != len(entries):
            raise ParameterError(
                f"{len(corrections)} corrections are given for {len(entries)} notes; one for each "
                "is accepted.",
                name="notes",
            )
        changed = [
            {"file": entry["file"], **accepted_corrections(correction)}
            for entry, correction in zip(entries, corrections, strict=True)
        ]
        self._replace(folder, changed)

    def split(self, name: str, times_s: Sequence[float] | None) -> int:
        """Cut the recording of a target into notes.

        Parameters
        ----------
        name : str
            A target of one recording.
        times_s : sequence of float or None
            Where the notes begin, in s; None finds out.

        Returns
        -------
        int
            How many notes there are now.

        Raises
        ------
        TargetError
            If there is no note.
        ParameterError
            If it has several recordings, or more notes than accepted.
        """
        folder = self._workspace.existing(self._workspace.targets, name)
        files = list(dict.fromkeys(str(entry["file"]) for entry in _entries(folder)))
        if len(files) != 1:
            raise ParameterError(
                f"{name} has {len(files)} recordings; one that holds several notes can be cut. "
                "Make a target of it alone.",
                name="split",
            )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", EarwrightWarning)
            found = load_target(folder / files[0], split=True if times_s is None else times_s)
        if len(found.notes) > MAX_NOTES:
            raise _too_many("notes in one target", MAX_NOTES)
        onsets = [round(note.source_onset_s, 4) for note in found.notes]
        if len(onsets) == 1:
            self._replace(folder, [{"file": files[0]}])
        else:
            self._replace(folder, [{"file": files[0], "onset_s": at} for at in onsets])
        return len(onsets)

    def remove_note(self, name: str, number: int) -> None:
        """Take one note out of a target; its recording stays in the folder."""
        folder = self._workspace.existing(self._workspace.targets, name)
        entries = _entries(folder)
        if len(entries) < 2 or not 0 <= number < len(entries):
            raise ParameterError(
                f"note {number + 1} can't be left out of {len(entries)}; one note has to stay.",
                name="note",
                value=number,
            )
        self._replace(folder, entries[:number] + entries[number + 1 :])

    def _replace(self, folder: Path, entries: list[dict[str, object]]) -> None:
        """Write a manifest if a target comes out of it, else leave the old one."""
        trial = folder / ".manifest-trial.toml"
        try:
            write_atomic(trial, manifest_text(entries, folder.name), overwrite=True)
            _load_quietly(trial)
        finally:
            trial.unlink(missing_ok=True)
        _write(folder, entries)


def _entries(folder: Path) -> list[dict[str, object]]:
    """Read a manifest back as we write it; `read_manifest` checks it first."""
    import tomllib  # noqa: PLC0415  small, and seldom needed

    path = folder / MANIFEST
    read_manifest(path)
    document: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    known = ("file", "pitch", "velocity", "gate_s", "onset_s")
    return [{key: table[key] for key in known if key in table} for table in document["target"]]


def _write(folder: Path, entries: list[dict[str, object]]) -> None:
    """Write the manifest."""
    text = manifest_text(entries, folder.name)
    write_atomic(folder / MANIFEST, text, overwrite=True)


def _load_quietly(path: Path) -> Target:
    """Load a target; its notes keep the warnings, which the page shows."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", EarwrightWarning)
        return load_target(path)


def _stamp(folder: Path) -> tuple[tuple[str, int, int], ...]:
    """Tell one state of a folder's files from another."""
    return tuple(
        (entry.name, entry.stat().st_mtime_ns, entry.stat().st_size)
        for entry in sorted(folder.iterdir())
        if entry.is_file() and not entry.name.startswith(".")
    )


def _remove_empty(folder: Path) -> None:
    """Take a new folder away that stayed empty."""
    if not any(folder.iterdir()):
        folder.rmdir()


def _too_many(what: str, limit: int) -> ParameterError:
    """Build the error for a limit that is reached."""
    return ParameterError(
        f"there are {limit} {what} already, which is the most; take some away first.",
        name=what,
        value=limit,
    )
