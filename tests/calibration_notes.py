"""Recordings for calibrations: our own voice, and another language, at known values."""

from __future__ import annotations

import tomllib
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from matcher.target import TargetNote, target_from_signal
from shared import EarwrightWarning, resample
from voice import render

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import FloatArray

__all__ = ["RATE_HZ", "KnownPlace", "known_places", "recorded_note", "recording"]

FOLDER = Path(__file__).with_name("known_answers") / "calibration"
RATE_HZ = 44_100
# At this rate the voice's filters have their analogue response up to the highest partials.
FAST_HZ = 96_000


@dataclass(frozen=True)
class KnownPlace:
    """A recording of a control at a known place.

    Attributes
    ----------
    panel, value : float
        What the panel says, and the true value.
    midi_pitch : float
        The key.
    path : Path
        The recording.
    """

    panel: float
    value: float
    midi_pitch: float
    path: Path


def known_places(parameter: str) -> list[KnownPlace]:
    """List the committed recordings of a control."""
    notes = tomllib.loads((FOLDER / "answers.toml").read_text())["note"]
    return [
        KnownPlace(note["panel"], note["value"], note["midi_pitch"], FOLDER / note["file"])
        for note in notes
        if note["parameter"] == parameter
    ]


def recording(
    values: Mapping[str, float],
    *,
    midi_pitch: float = 36.0,
    gate_s: float = 0.5,
    tail_s: float = 0.2,
    noise_db: float = -75.0,
) -> FloatArray:
    """Play a note of our voice into a room with some noise."""
    sound = render(
        values,
        midi_pitch=midi_pitch,
        gate_s=gate_s,
        duration_s=gate_s + tail_s,
        sample_rate_hz=FAST_HZ,
    )
    sound = resample(sound, FAST_HZ, RATE_HZ)
    whole = np.concatenate([np.zeros(RATE_HZ // 20), 0.5 * sound / np.abs(sound).max()])
    rng = np.random.default_rng(1)
    return whole + 0.5 * 10.0 ** (noise_db / 20.0) * rng.standard_normal(whole.size)


def recorded_note(
    values: Mapping[str, float],
    *,
    midi_pitch: float = 36.0,
    gate_s: float = 0.5,
    tail_s: float = 0.2,
    noise_db: float = -75.0,
    is_gate_given: bool = True,
) -> TargetNote:
    """Measure such a recording as a note."""
    sound = recording(
        values, midi_pitch=midi_pitch, gate_s=gate_s, tail_s=tail_s, noise_db=noise_db
    )
    with warnings.catch_warnings():
        # A dull saw that is heard from one moment on has an offset; `calibrate` ignores it, too.
        warnings.simplefilter("ignore", EarwrightWarning)
        return target_from_signal(
            sound,
            RATE_HZ,
            name="note",
            midi_pitch=midi_pitch,
            velocity=100,
            gate_s=gate_s if is_gate_given else None,
        )
