"""Checks on the values of parameters, and the one sentence that refuses them.

The arithmetic behind these doors (`shared._codec`) trusts what comes through.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, NoReturn

import numpy as np
import numpy.typing as npt

from shared._codec import GRID_SLACK
from shared._wording import with_unit
from shared.errors import ParameterError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shared._parameter import Parameter
    from shared.types import FloatArray

__all__: list[str] = []

# Values this share of the range outside of it, or this share of a step beside it, come from
# rounding (a panel scale in ms, a ratio in %), not from the user.
SLACK = 1e-9

Values = Mapping[str, float] | npt.ArrayLike


def check_number(parameter: Parameter, value: object) -> float:
    """Refuse what isn't a number at all; True and False count as words."""
    if isinstance(value, bool) or not isinstance(value, (int, float, np.integer, np.floating)):
        text = f'"{value}"' if isinstance(value, str) else str(value)
        raise ParameterError(
            f"{parameter.name}: {text} is not a number; {parameter.accepted} is accepted.",
            name=parameter.name,
            value=value,
        )
    try:
        return float(value)
    except OverflowError:
        # Whole numbers have no limit in Python and in JSON; no range goes that far.
        return math.inf if value > 0 else -math.inf


def check_in_range(parameter: Parameter, value: object) -> float:
    """Refuse what isn't a finite number within the range, rounding errors aside."""
    number = check_number(parameter, value)
    slack = _slack(parameter)
    # Written so that NaN is refused too.
    if not parameter.low - slack <= number <= parameter.high + slack:
        refuse_value(parameter, number)
    return number


def refuse_value(parameter: Parameter, value: float) -> NoReturn:
    """Raise for a number that the parameter doesn't take."""
    raise ParameterError(
        f"{parameter.name} is {with_unit(parameter, value)}; {parameter.accepted} is accepted.",
        name=parameter.name,
        value=value,
    )


def check_unit_range(unit: FloatArray, parameters: Sequence[Parameter]) -> None:
    """Refuse columns, (m, n), that leave [0, 1], and NaN."""
    is_bad = ~((unit >= -SLACK) & (unit <= 1.0 + SLACK))
    if is_bad.any():
        row, column = np.argwhere(is_bad)[0]
        value = float(unit[row, column])
        raise ParameterError(
            f"{parameters[column].name} is at {value:g} of its range; 0 to 1 is accepted. "
            "Clip to the unit range before decoding.",
            name=parameters[column].name,
            value=value,
        )


def as_matrix(
    values: Values, parameters: Sequence[Parameter]
) -> tuple[FloatArray, tuple[int, ...]]:
    """Return the values as rows, (m, n), and the shape that the caller gets back."""
    n_parameters = len(parameters)
    if isinstance(values, Mapping):
        values = _named_row(values, parameters)
    array = np.array(values, dtype=np.float64)
    if array.ndim not in {1, 2} or array.shape[-1] != n_parameters:
        raise ParameterError(
            f"values have shape {array.shape}; ({n_parameters},) or (n_candidates, "
            f"{n_parameters}) is accepted, one column for each parameter of the space.",
            name="values",
            value=array.shape,
        )
    # Not (-1, n): numpy can't work out -1 beside an empty axis.
    n_rows = 1 if array.ndim == 1 else array.shape[0]
    return array.reshape(n_rows, n_parameters), array.shape


def check_finite(matrix: FloatArray, parameters: Sequence[Parameter]) -> None:
    """Refuse the first value, (m, n), that is NaN or infinite."""
    _refuse_first(~np.isfinite(matrix), matrix, parameters)


def check_ranges(matrix: FloatArray, parameters: Sequence[Parameter]) -> None:
    """Refuse the first value, (m, n), outside its range, and NaN."""
    low = np.array([p.low for p in parameters], dtype=np.float64)
    high = np.array([p.high for p in parameters], dtype=np.float64)
    slack = np.array([_slack(p) for p in parameters], dtype=np.float64)
    _refuse_first(~((matrix >= low - slack) & (matrix <= high + slack)), matrix, parameters)


def _slack(parameter: Parameter) -> float:
    """Return how far outside its range a value may lie: rounding, and where the last step ends."""
    return max(SLACK * (parameter.high - parameter.low), GRID_SLACK * (parameter.step or 0.0))


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
