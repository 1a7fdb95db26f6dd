"""Parameters of the voice as Optuna describes them, and as the search's cells."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt
    from optuna.distributions import BaseDistribution

    from shared import Parameter, ParameterSpace

# A panel with more steps than this moves like a continuous one: a cell is then narrower than the
# draws of a run that has all but ended.
_MOST_CELLS = 128
# The unequal steps of a knob are numbers that rise; only a switch has categories.
_MOST_CATEGORIES = 6


def unit_cells(space: ParameterSpace) -> npt.NDArray[np.int64]:
    """Count the equal cells of [0, 1] that stand for the steps or choices of each parameter.

    Parameters
    ----------
    space : ParameterSpace
        The parameters that are searched.

    Returns
    -------
    np.ndarray, shape=(n_parameters,), dtype=int64
        For `make_sampler`. 0 where a parameter is continuous, has more than 128 steps, or has
        steps that equal cells would miss (on a logarithmic scale).
    """
    return np.array([_n_cells(parameter) for parameter in space], dtype=np.int64)


def _n_cells(parameter: Parameter) -> int:
    """Count the cells of one parameter, making sure that their centres give every value."""
    if parameter.choices:
        return len(parameter.choices)
    if parameter.step is None:
        return 0
    # Four places for each cell find every step, also half a cell at the ends of the range.
    n_most = round((parameter.high - parameter.low) / parameter.step) + 1
    if n_most > _MOST_CELLS:
        return 0
    values = {parameter.decode(u) for u in np.linspace(0.0, 1.0, 4 * n_most + 1)}
    centres = (np.arange(len(values)) + 0.5) / len(values)
    return len(values) if {parameter.decode(float(u)) for u in centres} == values else 0


def physical_distribution(parameter: Parameter) -> BaseDistribution:
    """Describe the range of a parameter in its own unit to Optuna.

    Parameters
    ----------
    parameter : Parameter
        A switch becomes categories, whole steps integers, other steps stepped floats; a knob
        with many unequal steps becomes a float, logarithmic where its scale is. Optuna knows no
        other curves: they are linear.

    Returns
    -------
    optuna.distributions.BaseDistribution
        Its range holds every value that the parameter decodes to.
    """
    from optuna.distributions import (  # noqa: PLC0415 (slow; only where a study is written)
        CategoricalDistribution,
        FloatDistribution,
        IntDistribution,
    )

    if parameter.choices and len(parameter.choices) <= _MOST_CATEGORIES:
        return CategoricalDistribution(parameter.choices)
    if parameter.choices or parameter.low == parameter.high or parameter.step is None:
        return FloatDistribution(
            parameter.low, parameter.high, log=parameter.scale == "log" and parameter.low > 0
        )
    values = [parameter.decode(0.0), parameter.decode(1.0)]
    if all(float(number).is_integer() for number in (*values, parameter.step)):
        return IntDistribution(int(values[0]), int(values[1]), step=int(parameter.step))
    return FloatDistribution(values[0], values[1], step=parameter.step)


def whole_names(distributions: Mapping[str, BaseDistribution]) -> frozenset[str]:
    """Return the names whose values Optuna wants as integers.

    Parameters
    ----------
    distributions : mapping of str to optuna.distributions.BaseDistribution
        Distributions by name.

    Returns
    -------
    frozenset of str
        Those with integer steps.
    """
    from optuna.distributions import IntDistribution  # noqa: PLC0415 (see above)

    return frozenset(
        name
        for name, distribution in distributions.items()
        if isinstance(distribution, IntDistribution)
    )
