"""Parameters of the voice as Optuna describes them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from optuna.distributions import BaseDistribution

    from shared import Parameter

# The unequal steps of a knob are numbers that rise; only a switch has categories.
_MOST_CATEGORIES = 6


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
