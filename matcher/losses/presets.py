"""Weights of the loss terms by names of the trade.

What matters most depends on the part that is programmed: a brass stab is judged by its front
edge, a string pad by its movement. A preset multiplies default weights, so it keeps its meaning
when those change. How much more it weighs is common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

from matcher.losses.terms import DEFAULT_WEIGHTS, complete_weights
from shared import ParameterError, suggest_names

__all__ = ["PRESETS", "describe_weights", "preset_of", "weights_for"]

# Factors on `DEFAULT_WEIGHTS`; 1 for what isn't named. Four is a wide step: it doubles twice.
PRESETS: Mapping[str, Mapping[str, float]] = MappingProxyType(
    {
        "balanced": MappingProxyType({}),
        "attack first": MappingProxyType({"onset": 4.0}),
        "animation first": MappingProxyType({"modulation": 4.0, "pitch": 2.0}),
    }
)


def weights_for(
    weights: str | Mapping[str, float] | None = None, /, **single: float
) -> dict[str, float]:
    """Find the weights that a name or single numbers stand for.

    Parameters
    ----------
    weights : str or mapping of str to float, optional
        A name of `PRESETS` (hyphens and capitals don't count), or weights of terms, >= 0, where
        those left out keep their default; "balanced" if left out.
    **single : float >= 0
        Weights of single terms instead of those.

    Returns
    -------
    dict of str to float
        A weight for each of `TERMS`. Only their ratios count.

    Raises
    ------
    ParameterError
        If the name or a term is unknown, a weight is negative or no number, or all are zero.

    Examples
    --------
    >>> weights_for("attack first")["onset"] / weights_for("balanced")["onset"]
    4.0
    >>> weights_for("attack-first", pitch=0.0)["pitch"]
    0.0
    """
    chosen = weights if isinstance(weights, Mapping) else _preset("balanced", weights)
    return complete_weights({**chosen, **single})


def preset_of(weights: Mapping[str, float]) -> str | None:
    """Name the preset that weights are those of.

    Parameters
    ----------
    weights : mapping of str to float
        Weights of terms; those left out keep their default.

    Returns
    -------
    str or None
        A name of `PRESETS`, whatever common factor the weights have; None if there is none.
    """
    ratios = _ratios(complete_weights(weights))
    for name in PRESETS:
        expected = _ratios(weights_for(name))
        # 1e-9: rounding of quotients of short decimal numbers.
        if all(math.isclose(ratios[term], expected[term], abs_tol=1e-9) for term in ratios):
            return name
    return None


def describe_weights(weights: object) -> str:
    """Say which weights a match had.

    Parameters
    ----------
    weights : object
        As they stand in a match's settings: a name, weights of terms, or None.

    Returns
    -------
    str
        The name of a preset, or every term with its weight.
    """
    chosen = weights if isinstance(weights, (str, Mapping)) else None
    every = weights_for(chosen)
    listed = ", ".join(f"{term} {weight:g}" for term, weight in every.items())
    return preset_of(every) or listed


def _ratios(weights: Mapping[str, float]) -> dict[str, float]:
    """Divide weights by their sum."""
    total = sum(weights.values())
    return {term: weight / total for term, weight in weights.items()}


def _preset(default: str, name: str | None) -> dict[str, float]:
    """Multiply the default weights by the factors of a preset."""
    wanted = default if name is None else " ".join(name.replace("-", " ").lower().split())
    if wanted not in PRESETS:
        hint = suggest_names(wanted, PRESETS) or "Or give the weights of single terms."
        raise ParameterError(
            f'weights "{name}" aren\'t known; {", ".join(PRESETS)} are accepted. {hint}',
            name="weights",
            value=name,
        )
    factors = PRESETS[wanted]
    return {term: weight * factors.get(term, 1.0) for term, weight in DEFAULT_WEIGHTS.items()}
