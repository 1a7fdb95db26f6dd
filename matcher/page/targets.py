"""Targets of the page: recordings, what is heard in them, and what the user says instead.

A target is a folder with recordings and a manifest (`matcher.target.manifest`); what is corrected
by hand is written into the manifest, and `matcher.load_target` does the rest.
"""

from __future__ import annotations

import contextlib
import json
import tomllib
import warnings
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.page.sounds import picture, wav_bytes
from matcher.page.workspace import Kept, free_file, plain_file_name, without_commands
from matcher.runs.layout import safe_name
from matcher.target import load_target
from matcher.target.manifest import read_manifest
from shared import (
    AudioError,
    EarwrightWarning,
    ParameterError,
    pitch_name,
    write_atomic,
)
from shared.audio import MAX_DURATION_S, quiet_decoder
from shared.files import take_name
from shared.notes import parse_pitch

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from matcher.page.workspace import Workspace
    from matcher.target import Target, TargetNote

MANIFEST = "manifest.toml"
CORRECTED = ("pitch", "velocity", "gate_s", "onset_s")
SUFFIXES = (".wav", ".flac", ".aiff", ".aif", ".ogg", ".mp3")
MAX_FILE_BYTES = 64_000_000
# Ten minutes: a file that claims more is no recording of a note, or its header lies.
LONGEST_FILE_S = 600.0
# A minute of stereo at the highest rate: more channels than that are taken apart elsewhere.
MAX_SAMPLES = 24_000_000
MAX_FILES = 24
MAX_NOTES = 48
MAX_TARGETS = 500
# Targets that are kept as they were read.
_KEPT = 4

Entry = dict[str, object]


class PageTargets:
    """The targets in a workspace."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._loaded: Kept[Target] = Kept(_KEPT)
        # One thread: one recording at a time, and the memory that a thread keeps is kept once.
        self._decoder = ThreadPoolExecutor(1)

    def names(self) -> list[str]:
        """List the targets, newest first."""
        return self._workspace.names(self._workspace.targets, MANIFEST)

    def folder(self, name: str) -> Path:
        """Find the folder of a target; its recordings lie in it, whatever its manifest says."""
        folder = self._workspace.existing(self._workspace.targets, name)
        for entry in read_manifest(folder / MANIFEST):
            if entry.path.parent != folder:
                raise ParameterError(
                    f"{name}/{MANIFEST}: {entry.path.name} lies elsewhere; a recording must lie "
                    "beside the manifest. Drop it on the page.",
                    name="file",
                )
        return folder

    def manifest(self, name: str) -> str:
        """Return the place of a manifest in the workspace, for `matcher.load_target`."""
        return (self.folder(name) / MANIFEST).relative_to(self._workspace.root).as_posix()

    def add(
        self, file_name: str, upload: Path, *, to: str | None = None, pitch: str | None = None
    ) -> str:
        """Keep a recording in a new target or in one that is there, and return its name.

        The uploaded file gets its place there; what `matcher.load_target` doesn't take is gone.
        """
        given: Entry = {} if pitch is None else {"pitch": pitch}
        midi_pitch = None if pitch is None else parse_pitch(pitch)
        stem, suffix = _checked_name(file_name)
        if to is None:
            if len(self.names()) >= MAX_TARGETS:
                raise _too_many("targets", MAX_TARGETS)
            folder = self._workspace.new_folder(self._workspace.targets, stem, default="recording")
            entries: list[Entry] = []
        else:
            folder = self.folder(to)
            entries = _entries(folder)
            if len({entry["file"] for entry in entries}) >= MAX_FILES:
                raise _too_many("recordings in one target", MAX_FILES)
        path = free_file(folder, stem, suffix)
        try:
            take_name(upload, path, overwrite=False)
            check_length(path)
            entries.append({"file": path.name, **given})
            self._decoder.submit(_load_quietly, path, midi_pitch=midi_pitch).result()
            _write(folder / MANIFEST, entries)
        except Exception:
            path.unlink(missing_ok=True)
            if to is None:
                with contextlib.suppress(OSError):
                    folder.rmdir()
            raise
        return folder.name

    def load(self, name: str) -> Target:
        """Read a target; one whose files haven't changed is kept from the last time."""
        folder = self.folder(name)
        return self._decoder.submit(
            self._loaded.get, (name, _stamp(folder)), lambda: _load_quietly(folder / MANIFEST)
        ).result()

    def note(self, name: str, number: int) -> TargetNote:
        """Return one note of a target."""
        notes = self.load(name).notes
        if not 0 <= number < len(notes):
            raise ParameterError(
                f"note is {number}; it must be 0 to {len(notes) - 1}.", name="note"
            )
        return notes[number]

    def describe(self, name: str) -> dict[str, object]:
        """Say what is heard in the notes of a target, and what was said by hand."""
        target = self.load(name)
        return {
            "name": name,
            "sample_rate_hz": target.sample_rate_hz,
            "notes": [
                _describe_note(note, entry)
                for note, entry in zip(target.notes, _entries(self.folder(name)), strict=True)
            ],
        }

    def wav(self, name: str, number: int) -> bytes:
        """Return one note of a target as a WAV file, limited in level."""
        note = self.note(name, number)
        return wav_bytes(note.signal, note.sample_rate_hz)[0]

    def correct(self, name: str, corrections: Sequence[Mapping[str, object]]) -> None:
        """Write what the user says about each note; what is missing or None is taken as heard.

        If a value isn't accepted, the manifest stays as it was.
        """
        folder = self.folder(name)
        entries = _entries(folder)
        if len(corrections) != len(entries):
            raise ParameterError(
                f"{len(corrections)} corrections are given for {len(entries)} notes; there "
                "must be one for each.",
                name="notes",
            )
        changed = [
            {"file": entry["file"], **_accepted_corrections(correction)}
            for entry, correction in zip(entries, corrections, strict=True)
        ]
        _replace(folder, changed)

    def split(self, name: str, times_s: Sequence[float] | None) -> None:
        """Cut a target of one recording into notes, at these times or at those found."""
        folder = self.folder(name)
        files = list(dict.fromkeys(str(entry["file"]) for entry in _entries(folder)))
        if len(files) != 1:
            raise ParameterError(
                f"{name} has {len(files)} recordings; one that holds several notes can be cut. "
                "Make a target of it alone.",
                name="split",
            )
        with quietly():
            found = load_target(folder / files[0], split=True if times_s is None else times_s)
        if len(found.notes) > MAX_NOTES:
            raise _too_many("notes in one target", MAX_NOTES)
        onsets = [round(note.source_onset_s, 4) for note in found.notes]
        is_cut = len(onsets) > 1
        _replace(
            folder, [{"file": files[0], **({"onset_s": at} if is_cut else {})} for at in onsets]
        )

    def remove_note(self, name: str, number: int) -> None:
        """Take one note out of a target; its recording stays in the folder."""
        folder = self.folder(name)
        entries = _entries(folder)
        if len(entries) < 2 or not 0 <= number < len(entries):
            raise ParameterError(
                f"note {number + 1} can't be left out of {len(entries)}; one note has to stay.",
                name="note",
            )
        _replace(folder, entries[:number] + entries[number + 1 :])


@contextlib.contextmanager
def quietly() -> Iterator[None]:
    """Keep our warnings out of the terminal; notes hold theirs, and the page shows them."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", EarwrightWarning)
        yield


def check_length(path: Path) -> None:
    """Refuse a file whose header promises more sound than a note can be, whatever its size."""
    import soundfile  # noqa: PLC0415  loads a library

    try:
        with quiet_decoder(path):
            info = soundfile.info(str(path))
    except soundfile.LibsndfileError:
        # Whoever reads the file says better what is wrong with it.
        return
    if info.duration > LONGEST_FILE_S:
        raise AudioError(
            f"{path.name} is {info.duration:.0f} s long; it must be at most {LONGEST_FILE_S:.0f} "
            "s. Cut out the notes that are to be matched.",
            path=path.name,
        )
    n_samples = min(info.duration, MAX_DURATION_S) * info.samplerate * info.channels
    if n_samples > MAX_SAMPLES:
        raise AudioError(
            f"{path.name} has {info.channels} channels at {info.samplerate} Hz, which is more "
            "than fits in memory; a minute of it must be at most two channels at 192000 Hz. "
            "Export the channel that holds the sound.",
            path=path.name,
        )


def manifest_text(entries: Sequence[Mapping[str, object]], instrument: str) -> str:
    """Write the notes of one instrument as a manifest that `matcher.target.manifest` reads."""
    blocks = ["# What is played in these recordings; what is left out is taken from the sound."]
    for entry in entries:
        pairs = {**entry, "instrument": instrument}
        lines = [f"{key} = {_toml_value(value)}" for key, value in pairs.items()]
        blocks.append("\n".join(["[[target]]", *lines]))
    return "\n\n".join(blocks) + "\n"


def _toml_value(value: object) -> str:
    """Write one value; text with JSON's escapes, which TOML's basic strings share."""
    if isinstance(value, str):
        # JSON leaves DEL as it is, TOML wants it escaped.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    # TOML writes inf and nan as Python does; the manifest refuses them where they are read.
    return repr(value)


def _checked_name(file_name: str) -> tuple[str, str]:
    """Split a file name into a safe stem and a suffix that is accepted."""
    plain = plain_file_name(file_name)
    suffix = Path(plain).suffix.lower()
    if suffix not in SUFFIXES:
        raise AudioError(
            f'"{plain[:80]}" is no audio file by its name, which must end in '
            f"{', '.join(SUFFIXES)}. "
            "Export the recording as one of them.",
            path=plain[:80],
        )
    return safe_name(plain[: -len(suffix)], default="recording"), suffix


def _describe_note(note: TargetNote, entry: Mapping[str, object]) -> dict[str, object]:
    """Describe one note for the page."""
    analysis = note.analysis
    heard = {
        field.name: value
        for field in fields(analysis)
        if (value := getattr(analysis, field.name)) is None or np.isscalar(value)
    }
    return {
        "name": note.name,
        "file": entry["file"],
        "given": {key: value for key, value in entry.items() if key != "file"},
        "midi_pitch": note.note.midi_pitch,
        "pitch": pitch_name(note.note.midi_pitch),
        "velocity": note.note.velocity,
        "gate_s": note.note.gate_s,
        "onset_s": note.onset_s,
        "source_onset_s": note.source_onset_s,
        "level_db": note.level_db,
        "noise_floor_db": note.noise_floor_db,
        "estimated": sorted(note.estimated),
        "heard": heard,
        "warnings": [without_commands(text) for text in note.warnings],
        "picture": picture(note.signal, note.sample_rate_hz),
    }


def _accepted_corrections(correction: Mapping[str, object]) -> Entry:
    """Keep the fields of a correction that say something; the manifest checks the values."""
    kept: Entry = {}
    for name in CORRECTED:
        value = correction.get(name)
        if value is None:
            continue
        if not isinstance(value, (int, float, str)) or isinstance(value, bool):
            raise ParameterError(f"{name} is {value!r:.40}; it must be a number.", name=name)
        kept[name] = value
    return kept


def _entries(folder: Path) -> list[Entry]:
    """Read a manifest back as we write it; `PageTargets.folder` has checked it."""
    document: dict[str, Any] = tomllib.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    known = ("file", *CORRECTED)
    return [{key: table[key] for key in known if key in table} for table in document["target"]]


def _replace(folder: Path, entries: list[Entry]) -> None:
    """Write a manifest if a target comes out of it, else leave the old one."""
    trial = folder / ".manifest-trial.toml"
    try:
        _write(trial, entries)
        _load_quietly(trial)
    finally:
        trial.unlink(missing_ok=True)
    _write(folder / MANIFEST, entries)


def _write(path: Path, entries: list[Entry]) -> None:
    """Write a manifest; its instrument is called like its folder."""
    write_atomic(path, manifest_text(entries, path.parent.name), overwrite=True)


def _load_quietly(path: Path, **said: Any) -> Target:  # noqa: ANN401  as for `load_target`
    """Load a target."""
    with quietly():
        return load_target(path, **said)


def _stamp(folder: Path) -> tuple[tuple[str, int, int], ...]:
    """Tell one state of a folder's files from another."""
    return tuple(
        (entry.name, entry.stat().st_mtime_ns, entry.stat().st_size)
        for entry in sorted(folder.iterdir())
        if entry.is_file() and not entry.name.startswith(".")
    )


def _too_many(what: str, limit: int) -> ParameterError:
    """Build the error for a limit that is reached."""
    return ParameterError(
        f"there are {limit} {what} already, which is the most; take some away first.", name=what
    )
