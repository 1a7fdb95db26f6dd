"""What a refinement may move, and how far."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from shared import CATALOGUE, ParameterError, ParameterSpace

if TYPE_CHECKING:
    from collections.abc import Collection

    from shared import Parameter, Patch
    from voice import Structure

__all__ = ["Selection", "Within", "choose_space", "read_value", "with_values"]

Within: TypeAlias = "float | str | Mapping[str, float | str]"

_AMOUNT = re.compile(r"\s*(\d+\.?\d*(?:[eE][+-]?\d+)?|\.\d+)\s*([^\d\s.].*?)?\s*")
_VALUE = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([^\d\s.].*?)?\s*")
_EVERY = "*"
# As values are printed, beside the units of the parameters.
_PRINTED_UNITS = {"ms": ("s", 1e-3), "khz": ("hz", 1e3)}
_AMOUNTS = (
    "a share of each range (20%), or an amount in a unit (200 Hz, 5 ms), for all or for some "
    "(filter.cutoff_hz=200)"
)


@dataclass(frozen=True)
class Selection:
    """What is searched, held and set: patterns or groups (all if `only` is empty), and values.

    How far parameters may move (`within`) is said as for `choose_space`; values that are set
    beforehand stay.
    """

    only: tuple[str, ...] = ()
    hold: tuple[str, ...] = ()
    within: Within | None = None
    set_values: Mapping[str, float] = field(default_factory=dict)

    @property
    def title(self) -> str:
        """The selection in a few words, as for the list of versions."""
        words = ["refine", *self.only]
        if self.hold:
            words += ["lock", *self.hold]
        return " ".join(words)


def with_values(patch: Patch, structure: Structure, values: Mapping[str, float]) -> Patch:
    """Set free parameters of a patch, and those that are linked to them.

    On a panel the nearest step is taken.
    """
    for name in values:
        if name in structure.links:
            raise ParameterError(
                f"{name} is linked to {structure.links[name]} in {structure.name}; set that one.",
                name=name,
            )
        if name in CATALOGUE and name not in structure.settable:
            raise ParameterError(
                f"{name} is fixed in {structure.name}; it must be one that is free "
                f"there. See `earwright structures {structure.name}`.",
                name=name,
            )
    settable = structure.settable.validate(structure.nearest_steps(values))
    return patch.replace(values=_linked({**patch.values, **settable}, structure))


def choose_space(
    patch: Patch, structure: Structure, hearable: Collection[str], selection: Selection
) -> ParameterSpace:
    """Say what is searched: the parameters that may move, over the ranges in which they may.

    `hearable` are those that the notes can tell something about. `within` is a share of each
    range, as a number (0.2) or a text ("20%"); an amount in a unit, which then counts for the
    parameters of that unit ("200 Hz"); or a mapping of patterns to shares (texts with %) and
    amounts in the parameter's own unit.
    """
    _check_links(patch, structure)
    space = structure.settable.only(*selection.only) if selection.only else structure.settable
    if selection.hold:
        # Patterns that name nothing at all are refused.
        left = structure.settable.hold(*selection.hold).names
        held = set(structure.settable.names).difference(left)
    else:
        held = set()
    kept = [p for p in space if p.name not in held and p.name not in selection.set_values]
    chosen = [p for p in kept if p.name in hearable]
    if not chosen:
        why = (
            "these notes tell nothing about what is left"
            if kept
            else "only, hold and set leave no parameter that may move"
        )
        raise ParameterError(
            f"there is nothing to search: {why}. Let more parameters move, or give more notes.",
            name="only",
        )
    return _narrowed(ParameterSpace(tuple(chosen)), patch, selection.within)


def read_value(name: str, text: str) -> float:
    """Read a value as it is typed or printed: ``"900"``, ``"30 ms"``, ``"1.2 kHz"``.

    Without a unit it is in the parameter's own; of a name that doesn't exist the unit isn't looked
    at.
    """
    form = _VALUE.fullmatch(text)
    if form is None:
        raise ParameterError(
            f'"{text}" is no value of {name}; it must be a number, with a unit or without.',
            name=name,
        )
    value, unit = float(form[1]), (form[2] or "").lower()
    unit, factor = _PRINTED_UNITS.get(unit, (unit, 1.0))
    if unit and name in CATALOGUE and unit != CATALOGUE[name].label.lower():
        own = CATALOGUE[name].label or "no unit"
        raise ParameterError(
            f'"{text}" is no value of {name}, which is counted in {own}. Leave the unit out, '
            "or give that one.",
            name=name,
        )
    return float(value * factor)


def _linked(values: Mapping[str, float], structure: Structure) -> dict[str, float]:
    """Let linked parameters follow."""
    row = np.array([[values[name] for name in CATALOGUE.names]])
    structure.follow_links(row)
    return dict(zip(CATALOGUE.names, row[0].tolist(), strict=True))


def _check_links(patch: Patch, structure: Structure) -> None:
    """Refuse a patch that the structure can't play as it is."""
    linked = _linked(patch.values, structure)
    for name, value in linked.items():
        if value != patch.values[name]:
            raise ParameterError(
                f"{name} is {CATALOGUE[name].format(patch.values[name])} in the patch, and "
                f"{structure.name} links it to {structure.links[name]}, so it would be "
                f"{CATALOGUE[name].format(value)}. Take another structure, or set it so.",
                name=name,
            )


def _narrowed(space: ParameterSpace, patch: Patch, within: Within | None) -> ParameterSpace:
    """Narrow ranges around the patch."""
    if within is None:
        return space
    rules: Mapping[str, float | str]
    rules = within if isinstance(within, Mapping) else {_EVERY: within}
    parameters = {parameter.name: parameter for parameter in space}
    # What is said of some counts more than what is said of all, wherever it stands.
    for pattern, amount in sorted(rules.items(), key=lambda rule: rule[0] != _EVERY):
        share, size, unit = _read_amount(amount, is_share=pattern == _EVERY)
        named = space if pattern == _EVERY else space.only(pattern)
        fitting = [p for p in named if unit is None or p.label.lower() == unit]
        if not fitting:
            raise ParameterError(
                f'within is "{amount}", and no parameter that moves is counted in {unit}; '
                f"it must be {_AMOUNTS}.",
                name="within",
            )
        for parameter in fitting:
            parameters[parameter.name] = _around(
                parameter, patch.values[parameter.name], share, size
            )
    return ParameterSpace(tuple(parameters.values()))


def _read_amount(amount: float | str, *, is_share: bool) -> tuple[float | None, float, str | None]:
    """Read an amount: a share of the range, or a size with or without a unit."""
    form = _AMOUNT.fullmatch(str(amount))
    size = float(form[1]) if form else 0.0
    unit = form[2].lower() if form and form[2] else None
    if unit in _PRINTED_UNITS:
        unit, factor = _PRINTED_UNITS[unit]
        size *= factor
    if unit == "%":
        share, unit = size / 100.0, None
    elif unit is None and is_share and not isinstance(amount, str):
        share = size
    elif unit is None and is_share:
        share = 0.0  # a bare number for everything could be either
    else:
        share = None
    if not size > 0.0 or (share is not None and not 0.0 < share <= 1.0):
        raise ParameterError(
            f'within is "{amount}"; it must be {_AMOUNTS}, above 0 and up to 100 %.',
            name="within",
        )
    return share, size, unit


def _around(parameter: Parameter, value: float, share: float | None, size: float) -> Parameter:
    """Narrow one range around a value."""
    space = ParameterSpace((parameter,))
    centre = float(space.clip({parameter.name: value})[0])
    if share is not None:
        return space.narrow({parameter.name: centre}, share)[0]
    low, high = max(parameter.low, centre - size), min(parameter.high, centre + size)
    if parameter.choices:
        choices = tuple(choice for choice in parameter.choices if low <= choice <= high)
        return replace(
            parameter,
            choices=choices,
            low=choices[0],
            high=choices[-1],
            full_range=parameter.curve_range,
        )
    return replace(parameter, low=low, high=high, full_range=parameter.curve_range)
