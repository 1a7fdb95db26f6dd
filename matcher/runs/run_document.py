"""The content of ``run.json``: everything about a run that isn't sound."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import fields
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from matcher.hearing import JUST_NOTICEABLE, audible_differences, compare_notes
from matcher.target.note import read_name
from shared import pitch_name, seconds_to_samples

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.hearing import AudibleDifference
    from matcher.result import LeftOutNote, MatchResult, NoteMatch
    from matcher.target import TargetNote

__all__: list[str] = []

KIND = "earwright run"
SCHEMA_VERSION = 1


def run_document(
    result: MatchResult,
    names: Sequence[str],
    gains: Sequence[float],
    *,
    command_line: Sequence[str] | None,
) -> dict[str, object]:
    """Describe a run, all but the list of files; names and gains are those of the sounds.

    First come those of the fitted notes, then those of the notes that were left out.
    """
    structure = result.structure
    n_fitted = len(result.notes)
    notes = zip(
        result.notes, names[:n_fitted], gains[:n_fitted], audible_differences(result), strict=True
    )
    left_out = zip(result.left_out, names[n_fitted:], gains[n_fitted:], strict=True)
    return {
        "kind": KIND,
        "schema_version": SCHEMA_VERSION,
        "created": datetime.now(tz=UTC).isoformat(timespec="seconds"),
        "command_line": None if command_line is None else list(command_line),
        "settings": dict(result.settings),
        "seed": result.settings.get("seed"),
        "versions": result.patch.provenance.get("versions", {}),
        "structure": {
            "name": structure.name,
            "meaning": structure.meaning,
            "n_free": len(structure.space),
            "searched": list(result.space.names),
            "not_searched": [n for n in structure.space.names if n not in result.space],
        },
        "target": {
            "digest": result.target.digest,
            "sample_rate_hz": result.target.sample_rate_hz,
        },
        "notes": [note_entry(*note) for note in notes],
        "left_out": [_left_out_note(*note) for note in left_out],
        # What "audible" and "not_audible" of the notes go by.
        "just_noticeable": [record.to_dict() for record in JUST_NOTICEABLE.values()],
        "warnings": [text for match in result.notes for text in match.note.warnings],
        "figures": figures(result),
        "stop_reason": result.stop_reason,
        "loss": {"start": result.start.to_dict(), "end": result.end.to_dict()},
        "history": [
            {"evaluations": n, "elapsed_s": elapsed_s, "loss": loss}
            for n, elapsed_s, loss in result.history()
        ],
    }


def figures(result: MatchResult) -> dict[str, float]:
    """Say how much was tried and how fast."""
    elapsed_s = result.elapsed_s
    overhead = 1.0 - result.busy_s / elapsed_s if elapsed_s > 0.0 else 0.0
    return {
        "evaluations": result.n_evaluations,
        "evaluations_per_s": result.evaluations_per_s,
        "elapsed_s": elapsed_s,
        "busy_s": result.busy_s,
        "search_overhead_ratio": max(overhead, 0.0),
    }


def sources(note: TargetNote) -> dict[str, str]:
    """Say where pitch, velocity and gate come from: given, file name, heard or assumed."""
    hints = read_name(note.name)
    pitch = "file name" if hints.midi_pitch == note.note.midi_pitch else "given"
    velocity = "file name" if hints.velocity == note.note.velocity else "given"
    return {
        "pitch": "heard" if "pitch" in note.estimated else pitch,
        # Nothing in one recording tells how hard the key was struck.
        "velocity": "assumed" if "velocity" in note.estimated else velocity,
        "gate": "heard" if "gate" in note.estimated else "given",
    }


def to_json(document: Mapping[str, object]) -> bytes:
    """Write a document as strict JSON: numbers that aren't finite become null."""
    text = json.dumps(plain(document), indent=2, ensure_ascii=False, allow_nan=False)
    # A name that isn't Unicode holds lone surrogates; here they become JSON's own escapes.
    return f"{text}\n".encode(errors="backslashreplace")


def plain(value: object) -> object:
    """Copy what JSON can hold; null in the place of infinity and NaN."""
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(entry) for entry in value]
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if value is None or isinstance(value, (str, int)):
        return value
    # Numbers of numpy have item(); anything else is named by its text.
    return plain(value.item()) if hasattr(value, "item") else str(value)


def note_entry(
    match: NoteMatch | LeftOutNote,
    name: str,
    gain: float,
    differences: Sequence[AudibleDifference],
) -> dict[str, object]:
    """Describe one note: what was played, what was heard, what is left between the two."""
    note = match.note
    origin = sources(note)
    return {
        "name": note.name,
        "files": {"target": f"target/{name}.wav", "match": f"match/{name}.wav"},
        # Both files are the sounds times this factor.
        "gain": gain,
        "played": {
            "midi_pitch": note.note.midi_pitch,
            "pitch_name": pitch_name(note.note.midi_pitch),
            "velocity": note.note.velocity,
            "gate_s": note.note.gate_s,
            "sources": origin,
        },
        "sample_rate_hz": note.sample_rate_hz,
        "n_samples": len(note.signal),
        "onset_s": note.onset_s,
        "onset_sample": seconds_to_samples(note.onset_s, note.sample_rate_hz),
        "source_onset_s": note.source_onset_s,
        "level_db": note.level_db,
        "noise_floor_db": note.noise_floor_db,
        "heard": _heard(note),
        "warnings": list(note.warnings),
        "loss": match.loss.to_dict(),
        "audible": [each.to_dict() for each in differences if each.is_audible],
        "not_audible": [each.to_dict() for each in differences if not each.is_audible],
    }


def _left_out_note(note: LeftOutNote, name: str, gain: float) -> dict[str, object]:
    """Describe a note that the patch was not fitted to."""
    return {
        **note_entry(note, name, gain, compare_notes(note.note, note.sound)),
        "is_left_out": True,
        "fitted_loss": note.fitted.to_dict(),
        "level_gap_db": note.level_gap_db,
        # No part of the patch; with them, a render is this very sound.
        "phases": dict(note.phases),
        "patch_values": dict(note.patch.values),
    }


def _heard(note: TargetNote) -> dict[str, object]:
    """Collect the single figures of the analysis; tracks can be measured again from the sound."""
    analysis = note.analysis
    every = {field.name: getattr(analysis, field.name) for field in fields(analysis)}
    return {name: value for name, value in every.items() if value is None or np.isscalar(value)}
