"""One note of a target for the page: what is heard in it, and what was said by hand."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING

import numpy as np

from matcher.page.pictures import picture
from shared import ParameterError, pitch_name

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.target import TargetNote

__all__: list[str] = []


def describe_note(note: TargetNote, entry: Mapping[str, object]) -> dict[str, object]:
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
        "warnings": list(note.warnings),
        "picture": picture(note.signal, note.sample_rate_hz),
    }


def accepted_corrections(correction: Mapping[str, object]) -> dict[str, object]:
    """Keep the fields of a correction that say something; the manifest checks the values."""
    kept: dict[str, object] = {}
    for field in ("pitch", "velocity", "gate_s", "onset_s"):
        value = correction.get(field)
        is_accepted = isinstance(value, (int, float, str)) and not isinstance(value, bool)
        if value is not None and not is_accepted:
            raise ParameterError(
                f"{field} is {value!r:.40}; a number is accepted.", name=field, value=value
            )
        if value is not None:
            kept[field] = value
    return kept
