"""What can be left out of a patch, one by one, and how it is left out.

These are finer than the parts of a panel: detune, resonance, drive and key tracking are moves of
their own, though each is one control of a larger part.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

from matcher.parts import used_parameters, voice_parts
from shared import CATALOGUE, ParameterError, midi_to_hz, suggest_names

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from matcher.explaining.prepared_run import PreparedRun
    from shared import FloatArray, Note

__all__ = ["LARGEST_AMOUNT", "present_parts", "scaled_part"]

_WAVES = ("saw", "pulse", "triangle")
LEVELS = tuple(f"osc{i}.{wave}_level" for i in (1, 2) for wave in _WAVES)


@dataclass(frozen=True)
class Switch:
    """One thing that can be left out.

    Parameters
    ----------
    title : str
        What it is called.
    names : tuple of str
        Parameters that are left out with it.
    off : mapping of str to float
        Values that leave it out.
    """

    title: str
    names: tuple[str, ...]
    off: Mapping[str, float]


# Title, what is set to leave it out, and which other controls then do nothing.
_SINGLE = (
    ("fine tune", ("tune_cents",), ()),
    ("detune, oscillator 2", ("osc2.detune_cents",), ()),
    ("octave, oscillator 1", ("osc1.octave",), ()),
    ("octave, oscillator 2", ("osc2.octave",), ()),
    *(
        (f"{title}, oscillator {i}", (f"osc{i}.{part}.{depth}",), (f"osc{i}.{part}.",))
        for i in (1, 2)
        for title, part, depth in (
            ("pitch envelope", "pitch_env", "depth_cents"),
            ("vibrato", "vibrato", "depth_cents"),
            ("pulse-width modulation", "pwm", "depth_ratio"),
        )
    ),
    *(
        (
            f"key tracking of the vibrato, oscillator {i}",
            (
                f"osc{i}.vibrato.rate_key_track_ratio",
                f"osc{i}.vibrato.depth_key_track_ratio",
            ),
            (),
        )
        for i in (1, 2)
    ),
    *(
        (
            f"key tracking of the pulse-width modulation, oscillator {i}",
            (f"osc{i}.pwm.rate_key_track_ratio",),
            (),
        )
        for i in (1, 2)
    ),
    ("noise", ("noise.level",), ("noise.",)),
    ("colour of the noise", ("noise.colour_ratio",), ()),
    ("high-pass filter", ("highpass.cutoff_hz",), ()),
    (
        "low-pass filter",
        (
            "filter.cutoff_hz",
            "filter.resonance_ratio",
            "filter.key_track_ratio",
            "filter_env.depth_octaves",
            "filter_env.velocity_octaves",
            "filter_lfo.depth_octaves",
        ),
        ("filter.slope_db_per_octave", "filter_env.", "filter_lfo."),
    ),
    ("resonance", ("filter.resonance_ratio",), ()),
    ("drive", ("filter.drive_db",), ()),
    ("key tracking of the filter", ("filter.key_track_ratio",), ()),
    (
        "filter envelope",
        ("filter_env.depth_octaves", "filter_env.velocity_octaves"),
        ("filter_env.",),
    ),
    ("LFO on the cutoff", ("filter_lfo.depth_octaves",), ("filter_lfo.",)),
    ("velocity to brightness", ("filter_env.velocity_octaves",), ()),
    ("body resonance", ("body.gain_db",), ("body.",)),
    ("second body resonance", ("body2.gain_db",), ("body2.",)),
    ("filter bank", CATALOGUE.only("bank.*").names, ()),
    (
        "amplifier envelope",
        ("amp_env.attack_s", "amp_env.sustain_ratio", "amp_env.release_s"),
        ("amp_env.attack_curve_ratio", "amp_env.decay_s"),
    ),
)


def every_switch(values: Mapping[str, float]) -> Iterator[Switch]:
    """Go through all that a patch of these values could leave out, oscillators first."""
    for i in (1, 2):
        levels = [f"osc{i}.{wave}_level" for wave in _WAVES]
        names = tuple(name for name in CATALOGUE.names if name.startswith(f"osc{i}."))
        yield Switch(f"oscillator {i}", names, dict.fromkeys(levels, 0.0))
        if sum(values[name] > 0.0 for name in levels) > 1:
            for wave, name in zip(("sawtooth", "pulse", "triangle"), levels, strict=True):
                yield Switch(f"{wave}, oscillator {i}", (name,), {name: 0.0})
    for title, off, also in _SINGLE:
        names = tuple(
            name
            for name in CATALOGUE.names
            if name in off or any(name.startswith(prefix) for prefix in also)
        )
        yield Switch(title, names, {name: CATALOGUE[name].neutral for name in off})


def works(name: str, values: Mapping[str, float]) -> bool:
    """Say whether a parameter that can leave something out does something."""
    used = used_parameters(values)
    if name in LEVELS:
        return name in used
    parameter = CATALOGUE[name]
    is_moved = parameter.format(values[name]) != parameter.format(parameter.neutral)
    return is_moved and name in used


def switches(prepared: PreparedRun) -> tuple[tuple[Switch, ...], tuple[str, ...]]:
    """List what the patch uses and can be left out, and the titles of what is absent from it."""
    present: list[Switch] = []
    absent: list[str] = []
    seen: set[frozenset[str]] = set()
    for switch in every_switch(prepared.values):
        mine = _own(switch, prepared)
        controls = frozenset(_source(name, prepared) for name in mine)
        # Linked parts have one control, and are left out together.
        if not mine or controls in seen:
            continue
        seen.add(controls)
        if any(works(name, prepared.values) for name in mine):
            present.append(switch)
        else:
            absent.append(switch.title)
    return tuple(present), tuple(absent)


def left_out(prepared: PreparedRun, switch: Switch) -> FloatArray | None:
    """Return the patch without a part; None if nothing would sound."""
    space = prepared.problem.space
    vector = prepared.vector.copy()
    for name, value in switch.off.items():
        source = _source(name, prepared)
        if source in space:
            parameter = space[source]
            held = min(max(value, parameter.low), parameter.high)
            vector[space.index(source)] = parameter.encode(held)
    values = prepared.values_of(vector)
    if not any(values[name] > 0.0 for name in (*LEVELS, "noise.level")):
        return None
    return vector


def held_names(switch: Switch, prepared: PreparedRun) -> tuple[str, ...]:
    """Name the searched parameters that stay out when the rest is fitted again."""
    return tuple(
        name for name in prepared.problem.space.names if name in _sources(switch, prepared)
    )


def part_title(name: str) -> str:
    """Name the part of the panel that a parameter belongs to."""
    return next(part.title for part in voice_parts() if name in part.names)


def _own(switch: Switch, prepared: PreparedRun) -> list[str]:
    """Keep the parameters that leave it out, and that this structure can move."""
    return [name for name in switch.off if _source(name, prepared) in prepared.problem.space]


def _sources(switch: Switch, prepared: PreparedRun) -> set[str]:
    """Resolve links of all that is left out."""
    return {_source(name, prepared) for name in switch.names}


def _source(name: str, prepared: PreparedRun) -> str:
    """Return the control that sets a parameter."""
    return prepared.problem.structure.links.get(name, name)


def find_parts(texts: Sequence[str], values: Mapping[str, float]) -> tuple[Switch, ...]:
    """Find the parts that a user names, each once, in the order in which they were named."""
    every = tuple(every_switch(values))
    present = [s for s in every if any(works(name, values) for name in s.off)]
    titles = ", ".join(f'"{switch.title}"' for switch in present)
    if not texts:
        raise ParameterError(
            f"no part is named; one or more of {titles} are accepted.", name="part"
        )
    found: list[Switch] = []
    for text in texts:
        chosen = [switch for switch in present if _is_meant(text, switch)]
        if not chosen:
            raise ParameterError(_refusal(text, every, titles), name="part", value=text)
        exact = [switch for switch in chosen if _words(switch.title) == _words(text)]
        found += [switch for switch in exact or chosen if switch not in found]
    silent = [s for s in found if not _sounds_without(s, values)]
    if silent:
        raise ParameterError(
            f'"{silent[0].title}" is all that sounds in this patch, so it can\'t be left out; '
            f"another of {titles} is accepted.",
            name="part",
            value=silent[0].title,
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
    """Split into words and numbers, without what tells nothing."""
    return re.findall(r"[a-z]+|\d+", text.lower())


def _refusal(text: str, every: Sequence[Switch], titles: str) -> str:
    """Say why nothing was found."""
    absent = [switch.title for switch in every if _is_meant(text, switch)]
    if absent:
        return (
            f'"{text}" is not in this patch ({absent[0]} does nothing); one or more of {titles} '
            "are accepted."
        )
    known = [*(switch.title for switch in every), *CATALOGUE.names]
    hint = suggest_names(text, known)
    return f'"{text}" is no part; one or more of {titles} are accepted. {hint}'.rstrip()


def _sounds_without(switch: Switch, values: Mapping[str, float]) -> bool:
    """Say whether anything is left when a part is left out."""
    left = {**values, **switch.off}
    return any(level > 0.0 for name, level in left.items() if name.endswith("level"))


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


LARGEST_AMOUNT = 10.0
# What a part needs around it to be heard alone: something that sounds, in its octave.
_CARRIERS = (
    *LEVELS,
    *(f"osc{i}.{name}" for i in (1, 2) for name in ("octave", "pulse_width_ratio")),
)


def present_parts(values: Mapping[str, float]) -> tuple[str, ...]:
    """Name the parts that do something in a patch.

    Parameters
    ----------
    values : mapping of str to float
        All values of the patch.

    Returns
    -------
    tuple of str
        Titles that `scaled_part` takes.
    """
    return tuple(switch.title for switch in _present(values))


def scaled_part(
    values: Mapping[str, float], part: str, amount: float, note: Note, *, is_alone: bool = False
) -> dict[str, float]:
    """Set how much of a part there is.

    Parameters
    ----------
    values : mapping of str to float
        All values of the patch.
    part : str
        A title of `present_parts`.
    amount : float, 0 to 10
        0 leaves the part out, 1 is as it is, more exaggerates it. Depths stop at the ends of
        their ranges.
    note : Note
        What is going to be played; a filter is kept from swallowing it.
    is_alone : bool
        Whether everything else that moves or colours the sound rests at neutral; the waveforms
        stay, so that something is heard.

    Returns
    -------
    dict of str to float
        Values of the changed patch.

    Raises
    ------
    ParameterError
        If the part isn't there, the amount lies outside its range, or nothing would sound.
    """
    if not 0.0 <= amount <= LARGEST_AMOUNT:
        raise ParameterError(
            f"amount is {amount:g}; 0 to {LARGEST_AMOUNT:g} is accepted.",
            name="amount",
            value=amount,
        )
    switch = _named(values, part)
    changed = _scaled(values, switch, amount, note)
    if is_alone:
        around = {name: changed[name] for name in (*_CARRIERS, *switch.names)}
        changed = {**CATALOGUE.neutral(), **around}
    if not any(changed[name] > 0.0 for name in (*LEVELS, "noise.level")):
        raise ParameterError(
            f'"{switch.title}" is all that sounds here and can\'t be left out; take more.',
            name="amount",
            value=amount,
        )
    return changed


def _present(values: Mapping[str, float]) -> tuple[Switch, ...]:
    """List what does something in a patch."""
    return tuple(
        switch
        for switch in every_switch(values)
        if any(works(name, values) for name in switch.off)
    )


def _named(values: Mapping[str, float], part: str) -> Switch:
    """Find a part by its title."""
    present = _present(values)
    for switch in present:
        if switch.title == part:
            return switch
    titles = ", ".join(switch.title for switch in present)
    raise ParameterError(
        f'"{part}" does nothing in this patch; one of {titles} is accepted.',
        name="part",
        value=part,
    )


def _scaled(
    values: Mapping[str, float], switch: Switch, amount: float, note: Note
) -> dict[str, float]:
    """Scale a part from where it does nothing."""
    if amount == 0.0:
        return {**values, **switch.off}
    if amount == 1.0:
        return dict(values)
    if amount < 1.0 and set(switch.off) <= set(LEVELS):
        return {**values, **{name: amount * values[name] for name in switch.off}}
    return exaggerated(values, switch, amount, note)
