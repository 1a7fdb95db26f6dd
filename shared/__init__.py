"""What `voice` and `matcher` both speak: units, notes, parameters, patches, audio files, errors.

Importing this package costs numpy and nothing more: the libraries that read, resample and
measure sound are imported by the functions that need them.
"""

from __future__ import annotations

from shared.catalogue import CATALOGUE
from shared.errors import (
    AudioError,
    EarwrightError,
    EarwrightWarning,
    FileError,
    ParameterError,
    PatchError,
    RunFolderError,
    StructureError,
    TargetError,
    suggest_names,
)
from shared.notes import Note, parse_pitch, pitch_name
from shared.parameters import Parameter, ParameterSpace
from shared.types import Float32Array, FloatArray
from shared.units import (
    amplitude_to_db,
    cents_to_ratio,
    db_to_amplitude,
    hz_to_midi,
    midi_to_hz,
    octaves_to_ratio,
    ratio_to_cents,
    ratio_to_octaves,
    samples_to_seconds,
    seconds_to_samples,
)

__all__ = [
    "CATALOGUE",
    "AudioError",
    "EarwrightError",
    "EarwrightWarning",
    "FileError",
    "Float32Array",
    "FloatArray",
    "Note",
    "Parameter",
    "ParameterError",
    "ParameterSpace",
    "PatchError",
    "RunFolderError",
    "StructureError",
    "TargetError",
    "amplitude_to_db",
    "cents_to_ratio",
    "db_to_amplitude",
    "hz_to_midi",
    "midi_to_hz",
    "octaves_to_ratio",
    "parse_pitch",
    "pitch_name",
    "ratio_to_cents",
    "ratio_to_octaves",
    "samples_to_seconds",
    "seconds_to_samples",
    "suggest_names",
]
