"""The ordered spaces of parameters that a search moves in: encoded to [0, 1]^n and back."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from shared.errors import ParameterError, suggest_names
from shared.parameters import (
    Parameter,
    check_number,
    check_unit_range,
    refuse_value,
    slack_of,
)
from shared.unit_range import UnitRange

if TYPE_CHECKING:
    from collections.abc import Iterator

    from shared.types import FloatArray

__all__ = ["ParameterSpace"]

Values = Mapping[str, float] | npt.ArrayLike


@dataclass(frozen=True)
class ParameterSpace:
    """An ordered, immutable set of parameters, looked up by name or by place.

    Iterating gives the parameters; ``in`` takes a name or a parameter.

    Parameters
    ----------
    parameters : tuple of Parameter
        In the order of the columns.

    Raises
    ------
    ParameterError
        If two parameters share a name.
    """

    parameters: tuple[Parameter, ...]

    def __post_init__(self) -> None:
        """Take any sequence and refuse doubled names."""
        object.__setattr__(self, "parameters", tuple(self.parameters))
        doubled = sorted({name for name in self.names if self.names.count(name) > 1})
        if doubled:
            raise ParameterError(
                f"{doubled[0]} stands twice in the space; each name may stand once.",
                name=doubled[0],
            )

    def __len__(self) -> int:
        """Count the parameters."""
        return len(self.parameters)

    def __iter__(self) -> Iterator[Parameter]:
        """Go through the parameters in order."""
        return iter(self.parameters)

    def __contains__(self, name: object) -> bool:
        """Say whether a name (or a parameter) belongs to the space."""
        return name in self._index or name in self.parameters

    def __getitem__(self, key: str | int) -> Parameter:
        """Look a parameter up by name or by place."""
        return self.parameters[key if isinstance(key, int) else self.index(key)]

    @property
    def names(self) -> tuple[str, ...]:
        """Names in the order of the columns."""
        return tuple(parameter.name for parameter in self.parameters)

    def index(self, name: str) -> int:
        """Return the column of a name; a `ParameterError` lists near names if there is none."""
        if name not in self._index:
            raise ParameterError(
                f"{name} is no parameter here. {_name_hint(self.parameters, name)}", name=name
            )
        return self._index[name]

    def encode(self, values: Values) -> FloatArray:
        """Map physical values to places in [0, 1], of the same shape.

        A mapping must have all names of the space and may have others, as a patch does; arrays
        have shape (n_parameters,) or (n_candidates, n_parameters). Between two steps or choices
        the nearer counts; a choice is encoded as the middle of its cell. A `ParameterError`
        refuses a missing name, another shape, and a value outside its range, which `clip` would
        move into it.
        """
        matrix, shape = _as_matrix(values, self.parameters)
        _check_ranges(matrix, self.parameters)
        return self._codec.encode(matrix).reshape(shape)

    def decode(self, unit: npt.ArrayLike) -> FloatArray:
        """Map places in [0, 1] to physical values; steps and choices are exact.

        A `ParameterError` refuses another shape than for `encode`, and a place outside [0, 1].
        """
        matrix, shape = _as_matrix(unit, self.parameters)
        check_unit_range(matrix, self.parameters)
        return self._codec.decode(matrix).reshape(shape)

    def clip(self, values: Values) -> FloatArray:
        """Move finite values of any size to the nearest that this space has; see `encode`."""
        matrix, shape = _as_matrix(values, self.parameters)
        _refuse_first(~np.isfinite(matrix), matrix, self.parameters)
        return self._codec.nearest(matrix).reshape(shape)

    def to_dict(self, values: npt.ArrayLike) -> dict[str, float]:
        """Name the values, (n_parameters,), of one candidate."""
        row = np.asarray(values, dtype=np.float64)
        if row.shape != (len(self),):
            raise ParameterError(
                f"values have shape {row.shape}; it must be ({len(self)},), one for each "
                "parameter of the space.",
                name="values",
            )
        return dict(zip(self.names, row.tolist(), strict=True))

    def neutral(self) -> dict[str, float]:
        """Return the values at which every part does nothing, by name, whatever was narrowed."""
        return {parameter.name: parameter.neutral for parameter in self.parameters}

    def validate(self, values: Mapping[str, float]) -> dict[str, float]:
        """Check named values as a user gave them and return them in the order of the space.

        Not every name has to be there; a `ParameterError` refuses an unknown one, and values as
        `Parameter.validate` does.
        """
        for name in values:
            self.index(name)
        return {p.name: p.validate(values[p.name]) for p in self.parameters if p.name in values}

    def only(self, *globs: str) -> ParameterSpace:
        """Keep the parameters that a pattern (``"filter*"``) or the name of a group chooses.

        They stay in the order of this space. A `ParameterError` refuses a pattern without a match
        and lists near names.
        """
        chosen = _matching_names(self.parameters, globs)
        return ParameterSpace(tuple(p for p in self.parameters if p.name in chosen))

    def hold(self, *globs: str) -> ParameterSpace:
        """Leave out what `only` would keep; holding all of them leaves an empty space."""
        held = _matching_names(self.parameters, globs)
        return ParameterSpace(tuple(p for p in self.parameters if p.name not in held))

    def narrow(self, values: Values, ratio: float) -> ParameterSpace:
        """Shrink every range around values, by `ratio` of the unit range to either side.

        `ratio` lies above 0 and up to 1. Ranges are cut off at the ends of the old ones and scales
        keep their shape; of choices those within reach stay, and the nearest always does.
        """
        if not 0.0 < ratio <= 1.0:
            raise ParameterError(
                f"ratio is {ratio:g}; it must be above 0 and up to 1 (0.1 searches a tenth of "
                "each range to either side).",
                name="ratio",
            )
        centre = np.atleast_1d(self.encode(values))
        if centre.ndim != 1:
            raise ParameterError(
                f"values have shape {centre.shape}; a space is narrowed around one candidate, "
                f"shape ({len(self)},).",
                name="values",
            )
        return ParameterSpace(
            tuple(
                _narrowed(parameter, float(place), ratio)
                for parameter, place in zip(self.parameters, centre, strict=True)
            )
        )

    def replace(
        self,
        name: str,
        *,
        low: float | None = None,
        high: float | None = None,
        scale: str | None = None,
        neutral: float | None = None,
        step: float | None = None,
        choices: tuple[float, ...] | None = None,
    ) -> ParameterSpace:
        """Give one parameter another range, scale, neutral value, step or choices.

        What is left out stays. Choices bring their own range and take the step away, a step takes
        the choices away; a neutral value that is left out moves to the nearest value of the new
        range.
        """
        column = self.index(name)
        changes: dict[str, Any] = {"low": low, "high": high, "scale": scale, "neutral": neutral}
        parameter = _changed(
            self.parameters[column], {**changes, "step": step, "choices": choices}
        )
        return ParameterSpace(
            (*self.parameters[:column], parameter, *self.parameters[column + 1 :])
        )

    @cached_property
    def _index(self) -> dict[str, int]:
        """Columns by name."""
        return {name: column for column, name in enumerate(self.names)}

    @cached_property
    def _codec(self) -> UnitRange:
        """Arithmetic of all columns."""
        return UnitRange(self.parameters)


def _as_matrix(
    values: Values, parameters: Sequence[Parameter]
) -> tuple[FloatArray, tuple[int, ...]]:
    """Return the values as rows, (m, n), and the shape that the caller gets back."""
    n_parameters = len(parameters)
    if isinstance(values, Mapping):
        values = _named_row(values, parameters)
    array = np.array(values, dtype=np.float64)
    if array.ndim not in {1, 2} or array.shape[-1] != n_parameters:
        raise ParameterError(
            f"values have shape {array.shape}; it must be ({n_parameters},) or (n_candidates, "
            f"{n_parameters}), one column for each parameter of the space.",
            name="values",
        )
    # Not (-1, n): numpy can't work out -1 beside an empty axis.
    n_rows = 1 if array.ndim == 1 else array.shape[0]
    return array.reshape(n_rows, n_parameters), array.shape


def _check_ranges(matrix: FloatArray, parameters: Sequence[Parameter]) -> None:
    """Refuse the first value, (m, n), outside its range, and NaN."""
    low = np.array([p.low for p in parameters], dtype=np.float64)
    high = np.array([p.high for p in parameters], dtype=np.float64)
    slack = np.array([slack_of(p) for p in parameters], dtype=np.float64)
    _refuse_first(~((matrix >= low - slack) & (matrix <= high + slack)), matrix, parameters)


def _named_row(values: Mapping[str, float], parameters: Sequence[Parameter]) -> list[float]:
    """Put named values in the order of the parameters."""
    row = []
    for parameter in parameters:
        if parameter.name not in values:
            raise ParameterError(
                f"{parameter.name} has no value; each of the {len(parameters)} parameters of the "
                "space needs one.",
                name=parameter.name,
            )
        row.append(check_number(parameter, values[parameter.name]))
    return row


def _refuse_first(
    is_bad: npt.NDArray[np.bool_], matrix: FloatArray, parameters: Sequence[Parameter]
) -> None:
    """Raise for the first marked value, if there is one."""
    if is_bad.any():
        row, column = np.argwhere(is_bad)[0]
        refuse_value(parameters[column], float(matrix[row, column]))


def _matching_names(parameters: Sequence[Parameter], globs: Iterable[str]) -> set[str]:
    """Collect the names that any pattern or group names; refuse a pattern without a match."""
    chosen: set[str] = set()
    for glob in globs:
        found = {p.name for p in parameters if p.group == glob or fnmatchcase(p.name, glob)}
        if not found:
            raise ParameterError(
                f'"{glob}" names no parameter. {_name_hint(parameters, glob)}', name=glob
            )
        chosen |= found
    return chosen


def _name_hint(parameters: Sequence[Parameter], name: str) -> str:
    """Help with an unknown name or pattern: near ones, or else the groups."""
    groups = sorted({parameter.group for parameter in parameters})
    names = [parameter.name for parameter in parameters]
    # A pattern is compared with patterns of the same form: "filtr*" with "filter*".
    is_pattern = "*" in name
    known = _patterns(names) if is_pattern else [*names, *groups]
    return suggest_names(name, known) or (
        f"The space has {len(names)} parameters in the groups {', '.join(groups)}."
    )


def _patterns(names: Iterable[str]) -> list[str]:
    """List a pattern for each part of the voice: ``filter.*``, ``*.vibrato.*``."""
    patterns: dict[str, None] = {}
    for name in names:
        parts = name.split(".")
        patterns.update({f"{parts[0]}*": None, f"*{parts[-1]}": None})
        if len(parts) > 2:
            patterns[f"*.{parts[1]}.*"] = None
    return list(patterns)


def _narrowed(parameter: Parameter, place: float, ratio: float) -> Parameter:
    """Shrink a range to `ratio` of the unit range on either side of a place in it."""
    first, last = max(0.0, place - ratio), min(1.0, place + ratio)
    full_range = parameter.curve_range
    if parameter.choices:
        # Those whose cells have their middle within reach, and the one at the place.
        centre, encode = parameter.decode(place), parameter.encode
        choices = tuple(x for x in parameter.choices if x == centre or first <= encode(x) <= last)
        low, high = choices[0], choices[-1]
        return replace(parameter, choices=choices, low=low, high=high, full_range=full_range)
    # Without its steps: rounded to steps, both ends could fall on the same one.
    smooth = replace(parameter, step=None)
    low, high = smooth.decode(first), smooth.decode(last)
    return replace(parameter, low=low, high=high, full_range=full_range)


def _changed(parameter: Parameter, changes: dict[str, Any]) -> Parameter:
    """Give a parameter the fields that are there; see `ParameterSpace.replace`."""
    fields = {name: value for name, value in changes.items() if value is not None}
    if "choices" in fields:
        chosen = tuple(float(choice) for choice in fields["choices"])
        if not chosen:
            raise ParameterError(
                f"{parameter.name}: choices are empty; give one or more values.",
                name=parameter.name,
            )
        fields = {"step": None, **fields, "choices": chosen, "low": chosen[0], "high": chosen[-1]}
    elif "step" in fields:
        fields["choices"] = ()
    elif parameter.choices:
        fields = _limit_choices(parameter, fields)
    if "neutral" not in fields:
        fields["neutral"] = _nearest_neutral(parameter, fields)
    return replace(parameter, full_range=None, **fields)


def _limit_choices(parameter: Parameter, fields: dict[str, Any]) -> dict[str, Any]:
    """Keep the choices within a new range."""
    low = fields.get("low", parameter.low)
    high = fields.get("high", parameter.high)
    kept = tuple(choice for choice in parameter.choices if low <= choice <= high)
    if not kept:
        raise ParameterError(
            f"{parameter.name}: none of {parameter.accepted} lies within {low} to {high}.",
            name=parameter.name,
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
