"""Reading a structure file: its fields one by one, every mistake collected."""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from shared import CATALOGUE, ParameterError, ParameterSpace, StructureError, suggest_names
from shared.catalogue import EQUALISER_BANDS
from voice._mistakes import Mistakes, find_lines
from voice._panel_reading import read_panel

if TYPE_CHECKING:
    from shared import Parameter
    from voice.panel import Control, PanelScale

__all__: list[str] = []

SCHEMA_VERSION = 1
FIELDS = (
    "schema_version", "name", "meaning", "fixed", "free", "links", "panel", "pulse_polarity",
    "equaliser", "times", "midi_channel",
)  # fmt: skip
POLARITIES = ("same", "opposite")
# How a whole panel may count decays and releases; single controls also know ramps.
FALL_TIMES = ("to-10-percent", "to-60-db", "time-constant")
RANGE_FIELDS = ("low", "high", "step", "choices")
# What TOML makes of a dotted name without quotes.
CATALOGUE_PREFIXES = {name.split(".")[0] for name in CATALOGUE.names if "." in name}
# The voice's pitch envelope has no sustain: it always falls back to the played pitch.
_ADSR_DECAYS = {
    "filter_env.decay_s": "filter_env.sustain_ratio",
    "amp_env.decay_s": "amp_env.sustain_ratio",
}


def read_structure(text: str, source: str) -> tuple[dict[str, Any], Mistakes]:
    """Read the fields of a `Structure` from TOML.

    Fields that are wrong are left out and told in the second item; a text that is no TOML at all
    raises at once, as nothing else can be said about it.
    """
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        # TOMLDecodeError is a ValueError, and so is a number of more digits than Python reads.
        raise StructureError(f"{source} is no TOML: {error}.", path=source) from error
    mistakes = Mistakes(source, find_lines(text))
    _check_head(document, mistakes)
    fixed = _table(document, "fixed", mistakes)
    free = _table(document, "free", mistakes)
    links = _table(document, "links", mistakes)
    panel = _table(document, "panel", mistakes)
    _check_doubled(fixed, free, links, mistakes)
    if not free and "free" not in {mistake.field for mistake in mistakes.errors}:
        mistakes.add(("free",), "free: at least one parameter is needed.")
    fixed_values = _fixed_values(fixed, mistakes)
    scaled = read_panel(panel, free=set(free), fixed=fixed_values, mistakes=mistakes)
    space = _free_space(free, scaled.controls, mistakes)
    checked_links = {**_checked_links(links, space, mistakes), **scaled.links}
    _warn_of_shared_envelopes(checked_links, space, mistakes)
    resting = {name: value for name, value in CATALOGUE.neutral().items() if name not in free}
    fields = {
        "name": document.get("name"),
        "meaning": document.get("meaning"),
        "space": space,
        "fixed": MappingProxyType({**resting, **fixed_values}),
        "links": MappingProxyType(checked_links),
        "controls": MappingProxyType(scaled.controls),
        "link_values": MappingProxyType(scaled.link_values),
        "pulse_polarity": _pulse_polarity(document, mistakes),
        "times": _times(document, mistakes),
        "midi_channel": _midi_channel(document, mistakes),
        "mixer": _mixer(document, {*free, *fixed, *links}, mistakes),
    }
    return fields, mistakes


def _check_head(document: Mapping[str, object], mistakes: Mistakes) -> None:
    """Check the names of the fields, the version, name and meaning."""
    for name in document:
        if name not in FIELDS:
            hint = suggest_names(name, FIELDS) or f"It must be one of {', '.join(FIELDS)}."
            mistakes.add((name,), f"{name}: no such field. {hint}")
    if document.get("schema_version") != SCHEMA_VERSION:
        mistakes.add(
            ("schema_version",),
            f"schema_version: {document.get('schema_version')!r} is not known; it must be "
            f"{SCHEMA_VERSION}.",
        )
    for name in ("name", "meaning"):
        if not isinstance(document.get(name), str) or not document[name]:
            mistakes.add((name,), f"{name}: a text is needed.")


def _pulse_polarity(document: Mapping[str, object], mistakes: Mistakes) -> str:
    """Read whether pulses jump as sawtooths do; empty if nothing is said."""
    polarity = document.get("pulse_polarity", "")
    if polarity not in ("", *POLARITIES):
        mistakes.add(
            ("pulse_polarity",),
            f"pulse_polarity is {polarity!r}; must be {' or '.join(POLARITIES)}. Leave it out if "
            "you don't know.",
        )
        return ""
    return str(polarity)


def _times(document: Mapping[str, object], mistakes: Mistakes) -> str:
    """Read how decay and release are told; empty if nothing is said."""
    times = document.get("times", "")
    if times not in ("", *FALL_TIMES):
        mistakes.add(("times",), f"times is {times!r}; it must be one of {', '.join(FALL_TIMES)}.")
        return ""
    return str(times)


def _midi_channel(document: Mapping[str, object], mistakes: Mistakes) -> int:
    """Read the channel of the instrument."""
    channel = document.get("midi_channel", 1)
    if isinstance(channel, bool) or not isinstance(channel, int) or not 1 <= channel <= 16:
        mistakes.add(
            ("midi_channel",),
            f"midi_channel is {channel!r}; it must be a whole number from 1 to 16.",
        )
        return 1
    return channel


def _mixer(
    document: Mapping[str, object], taken: Collection[str], mistakes: Mistakes
) -> ParameterSpace:
    """Read whether an equaliser follows, which it does unless the instrument names its bands."""
    given = document.get("equaliser", True)
    if not isinstance(given, bool):
        mistakes.add(("equaliser",), f"equaliser is {given!r}; it must be true or false.")
    bands = CATALOGUE.only(*(f"{band}.*" for band in EQUALISER_BANDS))
    return bands if given is True and not set(bands.names) & set(taken) else ParameterSpace(())


def _table(document: Mapping[str, object], key: str, mistakes: Mistakes) -> dict[str, object]:
    """Return a table of the document whose keys are parameters."""
    table = document.get(key, {})
    if not isinstance(table, Mapping):
        mistakes.add((key,), f"{key}: a table is needed.")
        return {}
    known: dict[str, object] = {}
    for name, value in table.items():
        if name in CATALOGUE:
            known[name] = value
            continue
        is_split = isinstance(value, Mapping) and name in CATALOGUE_PREFIXES
        hint = 'Put dotted names in quotes ("osc1.octave").' if is_split else ""
        hint = hint or suggest_names(name, CATALOGUE.names)
        hint = hint or "See `earwright structures complete`."
        mistakes.add((key, name), f"{key}.{name}: no such parameter. {hint}")
    return known


def _check_doubled(
    fixed: Mapping[str, object],
    free: Mapping[str, object],
    links: Mapping[str, object],
    mistakes: Mistakes,
) -> None:
    """Refuse a parameter that stands in two tables."""
    for name in sorted(set(fixed) & set(free) | (set(fixed) | set(free)) & set(links)):
        where = "links" if name in links else "fixed"
        mistakes.add(
            (where, name), f"{name}: stands under two of fixed, free and links; keep one."
        )


def _fixed_values(fixed: Mapping[str, object], mistakes: Mistakes) -> dict[str, float]:
    """Check the fixed values against the catalogue."""
    checked: dict[str, float] = {}
    for name, value in fixed.items():
        try:
            checked.update(CATALOGUE.validate({name: value}))  # type: ignore[dict-item]
        except ParameterError as error:
            mistakes.add(("fixed", name), f"fixed.{error}")
    return checked


def _checked_links(
    links: Mapping[str, object], space: ParameterSpace, mistakes: Mistakes
) -> dict[str, str]:
    """Check that links lead to free parameters of the same unit, whose range they can take."""
    checked: dict[str, str] = {}
    for name, target in links.items():
        if not isinstance(target, str) or target not in space:
            mistakes.add(
                ("links", name),
                f"links.{name}: {target!r} is not free; it must be a parameter under free.",
            )
            continue
        own, other = CATALOGUE[name], space[target]
        if own.unit != other.unit or other.low < own.low or other.high > own.high:
            mistakes.add(
                ("links", name),
                f"links.{name}: {target} runs from {other.low:g} to {other.high:g} "
                f"({other.unit}); it must be {own.low:g} to {own.high:g} ({own.unit}) here. "
                "Narrow the range of the free one.",
            )
            continue
        checked[name] = target
    return checked


def _warn_of_shared_envelopes(
    links: Mapping[str, str], space: ParameterSpace, mistakes: Mistakes
) -> None:
    """Say where an envelope with a sustain level also moves a pitch."""
    for name, target in links.items():
        sustain = _ADSR_DECAYS.get(target)
        if name.endswith(".pitch_env.decay_s") and sustain in space:
            mistakes.add(
                ("links", name),
                f"links.{name}: the pitch envelope of the voice falls back to the played pitch "
                f"whatever {sustain} is. Fix {sustain} at 0 if your envelope moves both.",
                is_warning=True,
            )


def _free_space(
    free: Mapping[str, object], controls: Mapping[str, Control], mistakes: Mistakes
) -> ParameterSpace:
    """Give the free parameters the file's ranges, which must lie within the catalogue's."""
    parameters = []
    for name in CATALOGUE.names:
        if name not in free:
            continue
        parameter = _ranged(name, free[name], mistakes)
        control = controls.get(name)
        if control is not None and control.scale is not None:
            parameter = _on_panel(parameter, control.scale, mistakes)
        parameters.append(parameter)
    return ParameterSpace(tuple(parameters))


def _ranged(name: str, change: object, mistakes: Mistakes) -> Parameter:
    """Give one parameter the range that stands in the file."""
    own = CATALOGUE[name]
    if not isinstance(change, Mapping) or not set(change) <= set(RANGE_FIELDS):
        mistakes.add(
            ("free", name),
            f"free.{name}: {change!r} is not a range; it must be a table of "
            f"{', '.join(RANGE_FIELDS)}, {{}} for the whole range.",
        )
        return own
    try:
        return _with_range(own, change)
    except ParameterError as error:
        mistakes.add(("free", name), f"free.{error}")
        return own


def _with_range(own: Parameter, change: Mapping[str, object]) -> Parameter:
    """Give one parameter the file's range, steps or choices."""
    if not change:
        return own
    options: dict[str, Any] = dict(change)
    choices = options.get("choices", [])
    if not isinstance(choices, list):
        raise ParameterError(
            f"{own.name}: choices are {choices!r}; they must be a list of numbers."
        )
    # What misses an end of the voice's range by a rounding error becomes that end.
    options |= {key: _checked(own, options[key]) for key in ("low", "high") if key in options}
    if choices:
        options["choices"] = [_checked(own, value) for value in choices]
    step = options.get("step", 0.0)
    if isinstance(step, bool) or not isinstance(step, (int, float)):
        raise ParameterError(f"{own.name}: step is {step!r}; it must be a number.")
    if "step" in options and (own.choices or (own.step and step % own.step)):
        raise ParameterError(
            f"{own.name}: step is {step:g}, which leads to values beside those of the voice; it "
            f"must be {own.accepted}. Leave the step out."
        )
    # A space of its own: the change of one parameter would check all of a larger one.
    return ParameterSpace((own,)).replace(own.name, **options)[own.name]


def _checked(own: Parameter, value: float) -> float:
    """Return a value as the file has it, or what it was taken for."""
    taken = own.validate(value)
    return value if value == taken else taken


def _on_panel(parameter: Parameter, scale: PanelScale, mistakes: Mistakes) -> Parameter:
    """Keep of a parameter's range what the panel has, on its steps."""
    name = parameter.name
    slack = 1e-9 * (parameter.high - parameter.low)
    if scale.is_stepped:
        values = sorted({value for _, value in scale.stops})
        inside = [v for v in values if parameter.low - slack <= v <= parameter.high + slack]
        kept = tuple(min(max(value, parameter.low), parameter.high) for value in inside)
        kept = tuple(sorted({_known(parameter, value) for value in kept}))
    else:
        ends = sorted(value for _, value in (scale.points[0], scale.points[-1]))
        kept = (max(ends[0], parameter.low), min(ends[1], parameter.high))
        kept = kept if kept[0] < kept[1] else ()
    if len(kept) < 2:
        mistakes.add(
            ("panel", name),
            f"panel.{name}: fewer than two places of the panel lie in the range of {name}, "
            f"{parameter.accepted}. Correct values, or the range under free.",
        )
        return parameter
    changes: dict[str, Any] = (
        {"choices": kept} if scale.is_stepped else {"low": kept[0], "high": kept[1]}
    )
    space = ParameterSpace((parameter,))
    try:
        return space.replace(name, **changes)[name]
    except ParameterError:
        # A quadratic scale needs neutral in the middle or at the low end; panels need not.
        return space.replace(name, scale="linear", **changes)[name]


def _known(parameter: Parameter, value: float) -> float:
    """Take the rounding error off a value that the voice has steps or choices for."""
    if parameter.step is None and not parameter.choices:
        return value
    return float(ParameterSpace((parameter,)).clip(np.array([value]))[0])
