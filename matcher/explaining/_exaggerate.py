"""A part of a patch taken further than it stands."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matcher.explaining._switches import LEVELS
from shared import CATALOGUE, midi_to_hz

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.explaining._switches import Switch
    from shared import Note

__all__: list[str] = []

_TIMES = ("attack_s", "decay_s", "release_s")


def exaggerated(
    values: Mapping[str, float], switch: Switch, factor: float, note: Note
) -> dict[str, float]:
    """Take a part further: depths by a factor from where they do nothing, held in their ranges."""
    changed = dict(values)
    if set(switch.off) <= set(LEVELS):
        # A level has its end at 1, so the others give way: what counts is the ratio.
        for name in (*LEVELS, "noise.level"):
            if name not in switch.off:
                changed[name] = values[name] / factor
        return changed
    for name in switch.off:
        changed[name] = _held(name, _further(name, values[name], factor), note)
    if switch.title == "low-pass filter":
        # Its envelope and its LFO are parts of their own.
        own = ("filter_env.", "filter_lfo.")
        changed |= {name: values[name] for name in values if name.startswith(own)}
    return changed


def _further(name: str, value: float, factor: float) -> float:
    """Move one value away from neutral."""
    parameter = CATALOGUE[name]
    if name.endswith(_TIMES):
        return value * factor
    if name.endswith("sustain_ratio"):
        # Levels are heard by their ratio, in dB.
        return float(value**factor)
    if parameter.unit == "hz":
        return float(parameter.neutral * (value / parameter.neutral) ** factor)
    return parameter.neutral + factor * (value - parameter.neutral)


def _held(name: str, value: float, note: Note) -> float:
    """Keep a value in its range; a filter stays above the key, or nothing would be heard."""
    parameter = CATALOGUE[name]
    low = parameter.low
    if name == "filter.cutoff_hz":
        low = max(low, min(float(midi_to_hz(note.midi_pitch)), parameter.high))
    if name == "highpass.cutoff_hz":
        return min(value, parameter.high, max(4.0 * float(midi_to_hz(note.midi_pitch)), low))
    if parameter.step is not None:
        value = round(value / parameter.step) * parameter.step
    return min(max(value, low), parameter.high)
