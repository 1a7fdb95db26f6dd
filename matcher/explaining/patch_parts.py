"""What can be left out of a patch, one by one, and how it is left out.

These are finer than the parts of a panel: detune, resonance, drive and key tracking are moves of
their own, though each is one control of a larger part. A part can also be taken further than it
is in the patch, so that it is plain to hear.
"""

from __future__ import annotations

import re
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

from matcher.parts import used_parameters
from matcher.voice_map import LEVELS, Switch, switches, voice_row
from shared import CATALOGUE, ParameterError, midi_to_hz, suggest_names

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from matcher.explaining.prepared_run import PreparedRun
    from shared import FloatArray, Note

__all__ = ["LARGEST_AMOUNT", "present_parts", "scaled_part"]

LARGEST_AMOUNT = 10.0
# What a part needs around it to be heard alone: something that sounds, in its octave.
_CARRIERS = (
    *LEVELS,
    *(f"osc{i}.{name}" for i in (1, 2) for name in ("octave", "pulse_width_ratio")),
)


def _every_switch(values: Mapping[str, float]) -> Iterator[Switch]:
    """Go through all that a patch could leave out; single waveforms only beside others."""
    for switch in switches():
        osc = next(iter(switch.off)).partition(".")[0]
        n_waves = sum(values[name] > 0.0 for name in LEVELS if name.startswith(osc))
        if n_waves > 1 or len(switch.names) > 1 or switch.names[0] not in LEVELS:
            yield switch


def at_work(values: Mapping[str, float]) -> frozenset[str]:
    """Name the parameters that do something in a patch, and whose neutral value would be heard."""

    def is_moved(name: str) -> bool:
        parameter = CATALOGUE[name]
        return parameter.format(values[name]) != parameter.format(parameter.neutral)

    return frozenset(n for n in used_parameters(values) if n in LEVELS or is_moved(n))


def present_switches(values: Mapping[str, float]) -> tuple[Switch, ...]:
    """List what does something in a patch and can be left out."""
    working = at_work(values)
    return tuple(s for s in _every_switch(values) if not working.isdisjoint(s.off))


def switches_of(prepared: PreparedRun) -> tuple[tuple[Switch, ...], tuple[str, ...]]:
    """List what a patch uses and can be left out, and the titles of what is absent from it.

    Only what its structure can move counts; linked parts have one control, and are left out
    together.
    """
    space, links = prepared.problem.space, prepared.problem.structure.links
    present: list[Switch] = []
    absent: list[str] = []
    seen: set[frozenset[str]] = set()
    working = at_work(prepared.values)
    for switch in _every_switch(prepared.values):
        mine = [name for name in switch.off if links.get(name, name) in space]
        controls = frozenset(links.get(name, name) for name in mine)
        if not mine or controls in seen:
            continue
        seen.add(controls)
        if not working.isdisjoint(mine):
            present.append(switch)
        else:
            absent.append(switch.title)
    return tuple(present), tuple(absent)


def left_out(prepared: PreparedRun, switch: Switch) -> FloatArray | None:
    """Return the patch without a part; None if nothing would sound."""
    space, links = prepared.problem.space, prepared.problem.structure.links
    vector = prepared.vector.copy()
    for name, value in switch.off.items():
        source = links.get(name, name)
        if source in space:
            parameter = space[source]
            held = min(max(value, parameter.low), parameter.high)
            vector[space.index(source)] = parameter.encode(held)
    return vector if is_sounding(prepared.values_of(vector)) else None


def held_names(switch: Switch, prepared: PreparedRun) -> frozenset[str]:
    """Name the controls that stay out when the rest is fitted again."""
    links = prepared.problem.structure.links
    return frozenset(links.get(name, name) for name in switch.names)


def part_title(name: str) -> str:
    """Name the part of the panel that a parameter belongs to."""
    return voice_row(name).title


def is_sounding(values: Mapping[str, float]) -> bool:
    """Say whether anything in the mixer is up."""
    return any(values[name] > 0.0 for name in (*LEVELS, "noise.level"))


def find_parts(texts: Sequence[str], values: Mapping[str, float]) -> tuple[Switch, ...]:
    """Find the parts that a user names, each once, in the order in which they were named."""
    present = present_switches(values)
    titles = ", ".join(f'"{switch.title}"' for switch in present)
    if not texts:
        raise ParameterError(f"no part is named; it must be one or more of {titles}.", name="part")
    found: list[Switch] = []
    for text in texts:
        chosen = [switch for switch in present if _is_meant(text, switch)]
        if not chosen:
            raise ParameterError(_refusal(text, values, titles), name="part")
        exact = [switch for switch in chosen if _words(switch.title) == _words(text)]
        found += [switch for switch in exact or chosen if switch not in found]
    for switch in found:
        if not is_sounding({**values, **switch.off}):
            raise ParameterError(
                f'"{switch.title}" is all that sounds in this patch, so it can\'t be left out; '
                f"it must be another of {titles}.",
                name="part",
            )
    return tuple(found)


def _is_meant(text: str, switch: Switch) -> bool:
    """Say whether a text means a part."""
    pattern = text.strip().lower()
    if any(fnmatchcase(name, pattern) or name.startswith(f"{pattern}.") for name in switch.off):
        return True
    words = _words(text)
    return bool(words) and set(words) <= set(_words(switch.title))


def _words(text: str) -> list[str]:
    """Split into words and numbers."""
    return re.findall(r"[a-z]+|\d+", text.lower())


def _refusal(text: str, values: Mapping[str, float], titles: str) -> str:
    """Say why nothing was found."""
    every = list(_every_switch(values))
    absent = [switch.title for switch in every if _is_meant(text, switch)]
    if absent:
        return (
            f'"{text}" is not in this patch ({absent[0]} does nothing); it must be one or more of '
            f"{titles}."
        )
    hint = suggest_names(text, [*(switch.title for switch in every), *CATALOGUE.names])
    return f'"{text}" is no part; it must be one or more of {titles}. {hint}'.rstrip()


def present_parts(values: Mapping[str, float]) -> tuple[str, ...]:
    """Name the parts that do something in a patch; titles that `scaled_part` takes."""
    return tuple(switch.title for switch in present_switches(values))


def scaled_part(
    values: Mapping[str, float], part: str, amount: float, note: Note, *, is_alone: bool = False
) -> dict[str, float]:
    """Return the values of a patch with less or more of one part, named by its title.

    An amount of 0 leaves it out, 1 is as it is, up to 10 exaggerates it: depths stop at the ends
    of their ranges, and a filter is kept from swallowing the `note`. Alone, the waveforms stay,
    and everything else that moves or colours the sound is neutral.
    """
    if not 0.0 <= amount <= LARGEST_AMOUNT:
        raise ParameterError(
            f"amount is {amount:g}; it must be 0 to {LARGEST_AMOUNT:g}.", name="amount"
        )
    present = {switch.title: switch for switch in present_switches(values)}
    if part not in present:
        raise ParameterError(
            f'"{part}" does nothing in this patch; it must be one of {", ".join(present)}.',
            name="part",
        )
    switch = present[part]
    if amount == 0.0:
        changed = {**values, **switch.off}
    elif amount < 1.0 and set(switch.off) <= set(LEVELS):
        changed = {**values, **{name: amount * values[name] for name in switch.off}}
    else:
        changed = exaggerated(values, switch, amount, note) if amount != 1.0 else dict(values)
    if is_alone:
        around = {name: changed[name] for name in (*_CARRIERS, *switch.names)}
        changed = {**CATALOGUE.neutral(), **around}
    if not is_sounding(changed):
        raise ParameterError(
            f'"{part}" is all that sounds here and can\'t be left out; take more.', name="amount"
        )
    return changed


def exaggerated(
    values: Mapping[str, float], switch: Switch, factor: float, note: Note
) -> dict[str, float]:
    """Take a part further: depths by a factor from where they do nothing, held in their ranges."""
    changed = dict(values)
    if set(switch.off) <= set(LEVELS):
        # A level ends at 1, so the others give way: what counts is the ratio.
        others = (name for name in (*LEVELS, "noise.level") if name not in switch.off)
        return changed | {name: values[name] / factor for name in others}
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
    if name.endswith(("attack_s", "decay_s", "release_s")):
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
    low, high, key_hz = parameter.low, parameter.high, float(midi_to_hz(note.midi_pitch))
    if name == "filter.cutoff_hz":
        low = max(low, min(key_hz, high))
    if name == "highpass.cutoff_hz":
        high = min(high, max(4.0 * key_hz, low))
    if parameter.step is not None:
        value = round(value / parameter.step) * parameter.step
    return min(max(value, low), high)
