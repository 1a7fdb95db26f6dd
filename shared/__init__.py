"""What `voice` and `matcher` both speak: units, notes, parameters, patches, audio files, errors.

Importing this package costs numpy and nothing more: the libraries that read, resample and
measure sound are imported by the functions that need them.
"""

from __future__ import annotations

from shared.audio import Recording, Stretch, read_recording, resample, write_recording
from shared.catalogue import CATALOGUE, PHASE_NAMES, PULSE_KIND
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
from shared.files import sha256_digest, write_atomic
from shared.machine import provide_cache_folder as _provide_cache_folder
from shared.machine import usable_cores
from shared.notes import Note, parse_pitch, pitch_name
from shared.parameter_space import ParameterSpace
from shared.parameters import Parameter
from shared.patch import NotePhases, Patch, build_patch_schema
from shared.safety import (
    HEARING_CAUTION,
    MAX_LOUDNESS_LUFS,
    MAX_TRUE_PEAK_DBTP,
    limit_level,
    loudness_lufs,
    true_peak_db,
)
from shared.types import Float32Array, FloatArray
from shared.units import (
    amplitude_to_db,
    cents_to_ratio,
    db_to_amplitude,
    hz_to_midi,
    midi_to_hz,
    octaves_to_ratio,
    ratio_to_cents,
    samples_to_seconds,
    seconds_to_samples,
)

__all__ = [
    "CATALOGUE",
    "HEARING_CAUTION",
    "MAX_LOUDNESS_LUFS",
    "MAX_TRUE_PEAK_DBTP",
    "PHASE_NAMES",
    "PULSE_KIND",
    "AudioError",
    "EarwrightError",
    "EarwrightWarning",
    "FileError",
    "Float32Array",
    "FloatArray",
    "Note",
    "NotePhases",
    "Parameter",
    "ParameterError",
    "ParameterSpace",
    "Patch",
    "PatchError",
    "Recording",
    "RunFolderError",
    "Stretch",
    "StructureError",
    "TargetError",
    "amplitude_to_db",
    "build_patch_schema",
    "cents_to_ratio",
    "db_to_amplitude",
    "hz_to_midi",
    "limit_level",
    "loudness_lufs",
    "midi_to_hz",
    "octaves_to_ratio",
    "parse_pitch",
    "pitch_name",
    "ratio_to_cents",
    "read_recording",
    "resample",
    "samples_to_seconds",
    "seconds_to_samples",
    "sha256_digest",
    "suggest_names",
    "true_peak_db",
    "usable_cores",
    "write_atomic",
    "write_recording",
]

# Before anything is compiled.
_provide_cache_folder()
