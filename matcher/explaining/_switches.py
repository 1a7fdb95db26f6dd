"""What can be left out of a patch, one by one, and how it is left out.

These are finer than the parts of a panel: detune, resonance, drive and key tracking are moves of
their own, though each is one control of a larger part.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from matcher.parts import used_parameters, voice_parts
from shared import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from matcher.explaining._ground import Ground
    from shared import FloatArray

__all__: list[str] = []

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


def switches(ground: Ground) -> tuple[tuple[Switch, ...], tuple[str, ...]]:
    """List what the patch uses and can be left out, and the titles of what is absent from it."""
    present: list[Switch] = []
    absent: list[str] = []
    seen: set[frozenset[str]] = set()
    for switch in every_switch(ground.values):
        mine = _own(switch, ground)
        controls = frozenset(_source(name, ground) for name in mine)
        # Linked parts have one control, and are left out together.
        if not mine or controls in seen:
            continue
        seen.add(controls)
        if any(works(name, ground.values) for name in mine):
            present.append(switch)
        else:
            absent.append(switch.title)
    return tuple(present), tuple(absent)


def left_out(ground: Ground, switch: Switch) -> FloatArray | None:
    """Return the patch without a part; None if nothing would sound."""
    space = ground.problem.space
    vector = ground.vector.copy()
    for name, value in switch.off.items():
        source = _source(name, ground)
        if source in space:
            parameter = space[source]
            held = min(max(value, parameter.low), parameter.high)
            vector[space.index(source)] = parameter.encode(held)
    values = ground.values_of(vector)
    if not any(values[name] > 0.0 for name in (*LEVELS, "noise.level")):
        return None
    return vector


def held_names(switch: Switch, ground: Ground) -> tuple[str, ...]:
    """Name the searched parameters that stay out when the rest is fitted again."""
    return tuple(name for name in ground.problem.space.names if name in _sources(switch, ground))


def part_title(name: str) -> str:
    """Name the part of the panel that a parameter belongs to."""
    return next(part.title for part in voice_parts() if name in part.names)


def _own(switch: Switch, ground: Ground) -> list[str]:
    """Keep the parameters that leave it out, and that this structure can move."""
    return [name for name in switch.off if _source(name, ground) in ground.problem.space]


def _sources(switch: Switch, ground: Ground) -> set[str]:
    """Resolve links of all that is left out."""
    return {_source(name, ground) for name in switch.names}


def _source(name: str, ground: Ground) -> str:
    """Return the control that sets a parameter."""
    return ground.problem.structure.links.get(name, name)
