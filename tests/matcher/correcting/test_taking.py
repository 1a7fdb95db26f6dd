"""Whether a recording is a take: played on the right key, as long, dry, and loud enough."""

from __future__ import annotations

import re
import warnings
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile

from matcher.correcting.taking import load_take, what_is_wrong
from matcher.target import TargetNote, target_from_signal
from shared import Patch
from tests.matcher.correcting.stand_in import PANEL
from voice import load_structure, render

if TYPE_CHECKING:
    from pathlib import Path

    from shared import FloatArray

RATE_HZ = 44_100


@cache
def _played(midi_pitch: float = 57.0, gate_s: float = 0.6) -> FloatArray:
    """Play a patch of the stand-in's panel on the voice, with silence around it."""
    structure = load_structure(PANEL)
    marks = {"amp_env.sustain_ratio": 7.0, "amp_env.release_s": 3.0, "filter.cutoff_hz": 5.0}
    scales = {name: structure.controls[name].scale for name in marks}
    values = {name: scale.value(marks[name]) for name, scale in scales.items() if scale}
    patch = Patch("stand-in", structure.complete(values))
    sound = render(patch, midi_pitch=midi_pitch, velocity=100, gate_s=gate_s)
    whole = np.concatenate([np.zeros(4000), 0.5 * sound / np.abs(sound).max(), np.zeros(20_000)])
    noise = np.random.default_rng(1).normal(0.0, 1e-4, len(whole))
    return whole + noise


def _asked() -> TargetNote:
    return target_from_signal(_played(), RATE_HZ, midi_pitch=57.0, velocity=100, gate_s=0.6)


def _echoed(sound: FloatArray) -> FloatArray:
    """Repeat it every 0.25 s, each time by a third softer."""
    wet, step = np.concatenate([sound, np.zeros(2 * RATE_HZ)]), RATE_HZ // 4
    for i in range(step, len(wet)):
        wet[i] += 0.66 * wet[i - step]
    return 0.4 * wet / np.abs(wet).max()


@pytest.mark.parametrize(
    ("sound", "told"),
    [
        (_played, None),
        (lambda: _played(69.0), "an octave higher. Play A3"),
        (lambda: _played(60.0), "it sounds C4; the patch was matched on A3"),
        (lambda: _played(gate_s=1.3), "Hold the key for 600 ms"),
        (lambda: _played(gate_s=0.25), "Hold the key for 600 ms"),
        (lambda: 0.004 * _played(), "Record it louder"),
        (lambda: np.clip(8.0 * _played(), -1.0, 1.0), "clipped"),
        (lambda: _echoed(_played()), "urn effects off"),
    ],
    ids=["good", "octave", "key", "long", "short", "soft", "clipped", "echo"],
)
def test_what_is_no_take_is_told(tmp_path: Path, sound: object, told: str | None) -> None:
    """A good take passes; each mistake is named with what to do."""
    file = tmp_path / "take.wav"
    soundfile.write(file, sound(), RATE_HZ, subtype="FLOAT")  # type: ignore[operator]
    asked = _asked()
    with warnings.catch_warnings():
        # Clipping is warned of, too; the take holds the text.
        warnings.simplefilter("ignore")
        problems = what_is_wrong(load_take(file, asked), asked, asked.signal)
    if told is None:
        assert problems == []
    else:
        assert re.search(told, " ".join(problems))
