"""The voice as a musician sees it: parts, the labels of their controls, and which of them work.

The catalogue orders parameters along the signal path, and its groups say what a parameter
shapes. On a panel, controls stand together by part (an oscillator, an envelope, an LFO); that
view is here, for everything that prints a patch.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from matcher.voice_map import LEVELS, OSCILLATORS, READING_ORDER, ROWS, voice_row
from shared import CATALOGUE
from shared.catalogue import EQUALISER_BANDS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shared import ParameterSpace

__all__ = [
    "VoicePart",
    "parameter_label",
    "settings_off_rest",
    "used_parameters",
    "voice_parts",
    "what_is_added",
]

# A waveform this far below the loudest one is masked by it: -46 dB, common practice, no source.
_SILENT_RATIO = 0.005
# Noise that goes past the filters lies above the tone, where nothing masks it: at -66 dB it is
# at the threshold of hearing, about 10 dB SPL, when the tone has 75 dB SPL (from memory).
_SILENT_PAST_RATIO = 0.0005
# A pitch envelope that falls faster is heard as part of the attack (common practice, no source).
_QUICK_S = 0.1
_SHAPING = ("highpass", "filter", "body", "body2", "bank", "filter_env", "filter_lfo")


@dataclass(frozen=True)
class VoicePart:
    """One part of the voice: its title, and its parameters in the order of the catalogue."""

    title: str
    names: tuple[str, ...]


@cache
def voice_parts() -> tuple[VoicePart, ...]:
    """List the parts of the voice in the order in which a patch is read."""
    return tuple(
        VoicePart(title, tuple(name for name, known in ROWS.items() if known.title == title))
        for title in READING_ORDER
    )


def parameter_label(name: str) -> str:
    """Say what a control is called within its part; an unknown name is refused."""
    return voice_row(name).label


def used_parameters(values: Mapping[str, float]) -> frozenset[str]:
    """Name the parameters that do something, of values of the whole catalogue in physical units.

    A silent oscillator's pitch, the rate of an LFO without depth, the decay of an envelope that
    stays at its peak: such values don't matter, and a patch is easier to read without them.
    """
    at_work = {"sound"} | _sounding(values) | _moving(values)
    used = _used(at_work, values)
    is_shaped = any(voice_row(name).part in _SHAPING for name in used)
    noise = _noise_at_work(values, is_shaped=is_shaped)
    return frozenset(used | _used(noise, values))


def settings_off_rest(values: Mapping[str, float], space: ParameterSpace) -> tuple[str, ...]:
    """Name the settings of a structure that a player has to make: they do something off rest."""
    used = used_parameters(values)
    return tuple(
        p.name for p in space if p.name in used and p.format(values[p.name]) != p.format(p.neutral)
    )


def what_is_added(
    shorter: Mapping[str, float], longer: Mapping[str, float], space: ParameterSpace
) -> tuple[str, ...]:
    """Say in a player's words what a longer patch has beside a shorter one, part by part."""
    before, after = (set(settings_off_rest(v, space)) for v in (shorter, longer))
    said = []
    for part in voice_parts():
        own = before.intersection(part.names)
        more = [name for name in part.names if name in after - before]
        where = part.title.replace(", oscillator", " on oscillator")
        if more and not own and len(more) > 1:
            said.append(f"{_pace(part, longer)}{where}")
        else:
            said += [f"{parameter_label(name)}, {part.title}" for name in more]
    return tuple(said)


def _pace(part: VoicePart, values: Mapping[str, float]) -> str:
    """Say of a pitch envelope whether it is quick or slow."""
    decay = next((n for n in part.names if n.endswith("pitch_env.decay_s")), None)
    return "" if decay is None else "quick " if values[decay] < _QUICK_S else "slow "


def _used(at_work: set[str], values: Mapping[str, float]) -> set[str]:
    """Name what does something where some parts are at work."""
    return {
        name
        for name, known in ROWS.items()
        if known.works_with in at_work and (known.is_used_at_rest or _works(name, values))
    }


def _works(name: str, values: Mapping[str, float]) -> bool:
    """Say whether a value, as printed, differs from its neutral value."""
    parameter = CATALOGUE[name]
    return parameter.format(values[name]) != parameter.format(parameter.neutral)


def _loudest(values: Mapping[str, float]) -> float:
    """Return the highest level in the mixer."""
    return max(values[name] for name in (*LEVELS, "noise.level"))


def _sounding(values: Mapping[str, float]) -> set[str]:
    """Name waveforms that sound, their oscillators, and what moves those."""
    least = _SILENT_RATIO * _loudest(values)
    at_work = {name for name in LEVELS if values[name] > 0.0 and values[name] >= least}
    for osc in OSCILLATORS:
        if not any(name.startswith(osc) for name in at_work):
            continue
        at_work.add(osc)
        moving = [("pitch_env", "depth_cents"), ("vibrato", "depth_cents")]
        if f"{osc}.pulse_level" in at_work:
            at_work.add(f"{osc}.pulse")
            moving.append(("pwm", "depth_ratio"))
        at_work |= {
            f"{osc}.{part}" for part, end in moving if _works(f"{osc}.{part}.{end}", values)
        }
    return at_work


def _moving(values: Mapping[str, float]) -> set[str]:
    """Name what filters and envelopes have at work."""
    bells = ("body", "body2", *EQUALISER_BANDS)
    at_work = {bell for bell in bells if _works(f"{bell}.gain_db", values)}
    at_work |= {
        f"{e} falls" for e in ("filter_env", "amp_env") if _works(f"{e}.sustain_ratio", values)
    }
    if _works("filter_env.depth_octaves", values) or _works("filter_env.velocity_octaves", values):
        at_work.add("filter_env")
    else:
        at_work.discard("filter_env falls")
    if _works("filter_lfo.depth_octaves", values):
        at_work.add("filter_lfo")
    # Key tracking lowers even an open filter, below C4.
    shaping = ("filter.cutoff_hz", "filter.resonance_ratio", "filter.key_track_ratio")
    if at_work & {"filter_env", "filter_lfo"} or any(_works(name, values) for name in shaping):
        at_work.add("filter")
    return at_work


def _noise_at_work(values: Mapping[str, float], *, is_shaped: bool) -> set[str]:
    """Name what the noise has at work; nothing goes past filters that do nothing."""
    level, loudest = values["noise.level"], _loudest(values)
    past_level = level * values["noise.bypass_ratio"] if is_shaped else 0.0
    is_heard_past = past_level > 0.0 and past_level >= _SILENT_PAST_RATIO * loudest
    if level <= 0.0 or not (level >= _SILENT_RATIO * loudest or is_heard_past):
        return set()
    at_work = {"noise"}
    # Noise that stays as it is has no decay.
    if values["noise.sustain_ratio"] < 1.0:
        at_work.add("noise falls")
    # A share that prints as 0.00 may be all that sounds above the tone.
    if is_heard_past or (is_shaped and _works("noise.bypass_ratio", values)):
        at_work.add("noise past the filters")
    return at_work
