"""Parameters with another range: narrowed around a value, or changed by a structure."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from shared.errors import ParameterError

if TYPE_CHECKING:
    from shared._parameter import Parameter

__all__: list[str] = []


def narrowed(parameter: Parameter, place: float, ratio: float) -> Parameter:
    """Shrink a range to `ratio` of the unit range on either side of a place in it."""
    first, last = max(0.0, place - ratio), min(1.0, place + ratio)
    full_range = parameter.curve_range
    if parameter.choices:
        choices = _choices_within_reach(parameter, place, first, last)
        low, high = choices[0], choices[-1]
        return replace(parameter, choices=choices, low=low, high=high, full_range=full_range)
    # Without its steps: rounded to steps, both ends could fall on the same one.
    smooth = replace(parameter, step=None)
    low, high = smooth.decode(first), smooth.decode(last)
    return replace(parameter, low=low, high=high, full_range=full_range)


def changed(parameter: Parameter, changes: dict[str, Any]) -> Parameter:
    """Give a parameter the fields that are there; see `ParameterSpace.replace`."""
    fields = {name: value for name, value in changes.items() if value is not None}
    if "choices" in fields:
        chosen = tuple(float(choice) for choice in fields["choices"])
        if not chosen:
            raise ParameterError(
                f"{parameter.name}: choices are empty; give one or more values.",
                name=parameter.name,
                value=chosen,
            )
        fields = {"step": None, **fields, "choices": chosen, "low": chosen[0], "high": chosen[-1]}
    elif "step" in fields:
        fields["choices"] = ()
    elif parameter.choices:
        fields = _limit_choices(parameter, fields)
    if "neutral" not in fields:
        fields["neutral"] = _nearest_neutral(parameter, fields)
    return replace(parameter, full_range=None, **fields)


def _choices_within_reach(
    parameter: Parameter, place: float, first: float, last: float
) -> tuple[float, ...]:
    """Keep the choices whose cells have their middle within reach, and the one at the place."""
    centre = parameter.decode(place)
    return tuple(
        choice
        for choice in parameter.choices
        if choice == centre or first <= parameter.encode(choice) <= last
    )


def _limit_choices(parameter: Parameter, fields: dict[str, Any]) -> dict[str, Any]:
    """Keep the choices within a new range."""
    low = fields.get("low", parameter.low)
    high = fields.get("high", parameter.high)
    kept = tuple(choice for choice in parameter.choices if low <= choice <= high)
    if not kept:
        raise ParameterError(
            f"{parameter.name}: none of {parameter.accepted} lies within {low} to {high}.",
            name=parameter.name,
            value=(low, high),
        )
    return {**fields, "choices": kept, "low": kept[0], "high": kept[-1]}


def _nearest_neutral(parameter: Parameter, fields: dict[str, Any]) -> float:
    """Move the neutral value into the new range, or onto the nearest choice."""
    neutral = parameter.neutral
    if fields.get("choices"):
        return float(min(fields["choices"], key=lambda choice: abs(choice - neutral)))
    low = fields.get("low", parameter.low)
    high = fields.get("high", parameter.high)
    return float(min(max(neutral, low), high))
