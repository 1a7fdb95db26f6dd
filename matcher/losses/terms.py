"""What a loss consists of: one table of its terms and parts, and the weights that join them.

Every part is scaled so that 1 means about one just-noticeable difference of what it measures;
`tests/benchmarks/bench_scales.py` renders such differences and prints what the parts give. The
table says all that is known of a part: scores, single differences, weights and printed tables
are made from it, in its order.

What matters most depends on the part that is programmed: a brass stab is judged by its
attack, a string pad by its movement. A preset multiplies default weights, so it keeps its meaning
when those change. How much more it weighs is common practice, no source.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.losses import kernels
from shared import ParameterError, suggest_names

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from matcher.losses.movement import Movement
    from shared import Float32Array, FloatArray

    Pairs = list[tuple[Float32Array, Float32Array]] | list[tuple[FloatArray, FloatArray]]

__all__ = [
    "DEFAULT_WEIGHTS",
    "LOSS_VERSION",
    "PARTS",
    "PRESETS",
    "TERMS",
    "TERM_MEANINGS",
    "TERM_WORDS",
    "LossBreakdown",
    "Measures",
    "breakdown",
    "describe_weights",
    "loss_change",
    "part_weights",
    "preset_of",
    "totals",
    "weights_for",
]


@dataclass(frozen=True, eq=False)
class Measures:
    """What is measured on a placed sound; levels in dB, one array for each window size."""

    levels: tuple[Float32Array, ...]
    amplitudes: tuple[Float32Array, ...]
    onset_levels: Float32Array
    onset_flux: Float32Array
    attack_hops: tuple[float, ...]
    envelope: Float32Array
    movement: Movement


@dataclass(frozen=True)
class Part:
    """One measured difference, named with its unit; `scale` is about one just-noticeable one.

    It is the mean `distance` of the pairs of arrays that `compare` takes from two `Measures`.
    Single differences are counted in `step`s; below one a difference counts by its square: nobody
    hears it, and a sum of absolute values has corners there. None if it is no mean of those.
    """

    name: str
    term: str
    scale: float
    step: float | None
    meaning: str
    compare: Callable[[Measures, Measures], Pairs]
    distance: Callable[[Any, Any], float]

    def measure(self, found: Measures, wanted: Measures) -> float:
        """Measure the part, in its own unit."""
        return float(np.mean([self.distance(*pair) for pair in self.compare(found, wanted)]))


def _octaves(found: Measures, wanted: Measures) -> Pairs:
    """Attack times against those of the target, in octaves."""
    # One millisecond (four hops) more on both sides: below that no ear tells attacks apart.
    pairs = zip(found.attack_hops, wanted.attack_hops, strict=True)
    octaves = np.array([math.log2((hops + 4.0) / (other + 4.0)) for hops, other in pairs])
    return [(octaves, np.zeros_like(octaves))]


def _mean_gap(a: FloatArray | Float32Array, b: FloatArray | Float32Array) -> float:
    """Mean absolute difference; 0 where there is nothing to compare."""
    return float(np.mean(np.abs(a - b))) if a.size else 0.0


# The columns of a score, in this order.
PARTS = (
    Part(
        "spectrum_db", "spectral", 0.5, 1.0, "mean difference of the mel bands, six window sizes",
        lambda a, b: list(zip(a.levels, b.levels, strict=True)), kernels.mean_difference,
    ),
    Part(
        "convergence_ratio", "spectral", 0.2, None, "spectral convergence of the same bands",
        lambda a, b: list(zip(a.amplitudes, b.amplitudes, strict=True)), kernels.convergence,
    ),
    Part(
        "onset_spectrum_db", "onset", 0.5, 1.0, "mean difference of short bands, first 150 ms",
        lambda a, b: [(a.onset_levels, b.onset_levels)], kernels.mean_difference,
    ),
    Part(
        "onset_flux_db", "onset", 0.2, 0.3,
        "mean difference of the onset strength, first 150 ms",
        lambda a, b: [(a.onset_flux[None, :], b.onset_flux[None, :])], kernels.mean_difference,
    ),
    Part(
        "attack_octaves", "onset", 0.3, 0.1, "attack time against attack time, in octaves",
        _octaves, _mean_gap,
    ),
    Part(
        "envelope_db", "envelope", 1.0, 0.5, "mean difference of the level over time",
        lambda a, b: [(a.envelope[None, :], b.envelope[None, :])], kernels.mean_difference,
    ),
    Part(
        "band_movement_db", "modulation", 0.25, 0.2,
        "modulation spectra of the bands, 0.5 to 20 Hz",
        lambda a, b: [(a.movement.bands, b.movement.bands)], _mean_gap,
    ),
    Part(
        "pitch_movement_cents", "modulation", 0.5, 0.5, "modulation spectrum of the pitch track",
        lambda a, b: [(a.movement.pitch, b.movement.pitch)], _mean_gap,
    ),
    Part(
        "slow_pitch_cents", "pitch", 5.0, 2.0, "mean difference of the slow pitch tracks",
        lambda a, b: [(a.movement.slow_cents, b.movement.slow_cents)], _mean_gap,
    ),
)  # fmt: skip
# Default weight of each term, its words (short ones, as a legend has them), and what it says.
_TERMS = {
    "spectral": (1.0, "tone", "tone colour of the whole note"),
    "onset": (0.8, "attack", "attack, the first 150 ms"),
    "envelope": (0.5, "level", "level over time"),
    "modulation": (0.5, "movement", "movement: vibrato, beating, pulse width"),
    "pitch": (0.25, "pitch", "pitch over time"),
}
TERMS = tuple(_TERMS)
DEFAULT_WEIGHTS: Mapping[str, float] = MappingProxyType(
    {term: weight for term, (weight, _, _) in _TERMS.items()}
)
TERM_WORDS: Mapping[str, str] = MappingProxyType(
    {term: words for term, (_, words, _) in _TERMS.items()}
)
TERM_MEANINGS: Mapping[str, str] = MappingProxyType(
    {term: meaning for term, (_, _, meaning) in _TERMS.items()}
)
# Losses of two versions can't be compared: a digest of all that a total is made of.
LOSS_VERSION = hashlib.sha256(
    repr(
        ([(p.name, p.term, p.scale, p.step) for p in PARTS], sorted(DEFAULT_WEIGHTS.items()))
    ).encode()
).hexdigest()[:8]
# Factors on `DEFAULT_WEIGHTS`; 1 for what isn't named. Four is a wide step: it doubles twice.
PRESETS: Mapping[str, Mapping[str, float]] = MappingProxyType(
    {
        "balanced": MappingProxyType({}),
        "attack first": MappingProxyType({"onset": 4.0}),
        "movement first": MappingProxyType({"modulation": 4.0, "pitch": 2.0}),
    }
)


@dataclass(frozen=True)
class LossBreakdown:
    """A loss and what it consists of.

    Parameters
    ----------
    total : float >= 0
        Weighted mean of the terms; 1 is about one just-noticeable difference.
    terms : mapping of str to float
        Scaled terms by name.
    parts : mapping of str to float
        Measured differences in their own units, by name.
    version : str
        The `LOSS_VERSION` that it was measured with; empty in files from before there was one.
    """

    total: float
    terms: Mapping[str, float] = field(default_factory=dict)
    parts: Mapping[str, float] = field(default_factory=dict)
    version: str = ""

    def to_dict(self) -> dict[str, object]:
        """Return plain numbers for JSON."""
        return {
            "total": self.total,
            "terms": dict(self.terms),
            "parts": dict(self.parts),
            "version": self.version,
        }


def loss_change(version: str, parts: Iterable[str]) -> str:
    """Say how distances of an earlier time were measured otherwise; empty if they weren't."""
    before, now = set(parts), {part.name for part in PARTS}
    told = [
        f"{', '.join(sorted(names))} {what}"
        for names, what in (
            (now - before, "did not count then"),
            (before - now, "no longer counts"),
        )
        if names and before
    ]
    if not told and version not in {"", LOSS_VERSION}:
        told = [f"scales or weights differ (version {version} then, {LOSS_VERSION} now)"]
    return "; ".join(told)


def weights_for(
    weights: str | Mapping[str, float] | None = None, /, **single: float
) -> dict[str, float]:
    """Find the weights that a name or single numbers mean.

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
    if not isinstance(weights, (str, Mapping, type(None))):
        raise ParameterError(
            f"weights are {weights!r:.40}; they must be the name of a preset, or a number for "
            "each term.",
            name="weights",
        )
    chosen = weights if isinstance(weights, Mapping) else _preset(weights)
    return _complete({**chosen, **single})


def _preset(name: str | None) -> dict[str, float]:
    """Multiply the default weights by the factors of a preset."""
    wanted = "balanced" if name is None else " ".join(name.replace("-", " ").lower().split())
    if wanted not in PRESETS:
        hint = suggest_names(wanted, PRESETS) or "Or give the weights of single terms."
        raise ParameterError(
            f'weights "{name}" aren\'t known; they must be one of {", ".join(PRESETS)}. {hint}',
            name="weights",
        )
    factors = PRESETS[wanted]
    return {term: weight * factors.get(term, 1.0) for term, weight in DEFAULT_WEIGHTS.items()}


def _complete(weights: Mapping[str, float]) -> dict[str, float]:
    """Check weights, and add the default of the terms that are left out."""
    unknown = sorted(set(weights) - set(TERMS))
    if unknown:
        hint = suggest_names(unknown[0], TERMS) or f"It must be one of {', '.join(TERMS)}."
        raise ParameterError(f"weight {unknown[0]}: no such term. {hint}", name=unknown[0])
    every = {term: weights.get(term, DEFAULT_WEIGHTS[term]) for term in TERMS}
    if not all(_is_weight(x) for x in every.values()) or not any(every.values()):
        raise ParameterError(
            f"weights are {str(every)[:200]}; they must be 0 or more (up to {_LARGEST_WEIGHT:g}), "
            "and one of them must be above 0.",
            name="weights",
        )
    return every


# Only ratios count; beyond that, sums of large ones would overflow.
_LARGEST_WEIGHT = 1e9


def _is_weight(value: object) -> bool:
    """Whether a value is a number that weighs something, or nothing."""
    return isinstance(value, (int, float, np.number)) and bool(0.0 <= value <= _LARGEST_WEIGHT)


def preset_of(weights: Mapping[str, float]) -> str | None:
    """Name the preset that weights are those of, whatever common factor they have."""
    ratios = _ratios(_complete(weights))
    for name in PRESETS:
        expected = _ratios(_preset(name))
        # 1e-9: rounding of quotients of short decimal numbers.
        if all(math.isclose(ratios[term], expected[term], abs_tol=1e-9) for term in ratios):
            return name
    return None


def _ratios(weights: Mapping[str, float]) -> dict[str, float]:
    """Divide weights by their sum."""
    total = sum(weights.values())
    return {term: weight / total for term, weight in weights.items()}


def describe_weights(weights: object) -> str:
    """Say which weights a match had.

    Parameters
    ----------
    weights : object
        As they are in a match's settings: a name, weights of terms, or None.

    Returns
    -------
    str
        The name of a preset, or every term with its weight.
    """
    every = weights_for(weights if isinstance(weights, (str, Mapping)) else None)
    listed = ", ".join(f"{term} {weight:g}" for term, weight in every.items())
    return preset_of(every) or listed


def part_weights(weights: Mapping[str, float]) -> FloatArray:
    """Say what one unit of each part adds to the loss: its term's weight, shared and scaled."""
    every = _complete(weights)
    total = sum(every.values())
    counts = {term: sum(part.term == term for part in PARTS) for term in TERMS}
    return np.array([every[part.term] / total / counts[part.term] / part.scale for part in PARTS])


def totals(scores: FloatArray, weights: Mapping[str, float] | None = None) -> FloatArray:
    """Join scores into losses.

    Parameters
    ----------
    scores : np.ndarray, shape=(n_candidates, len(PARTS))
        Measured parts, as a scorer gives them.
    weights : mapping of str to float, optional
        Weights of terms, >= 0; `DEFAULT_WEIGHTS` for those left out.

    Returns
    -------
    np.ndarray, shape=(n_candidates,)
        Weighted mean of the scaled terms.

    Raises
    ------
    ParameterError
        If a weight is unknown or negative, or all are zero.
    """
    # A sum in fixed order; a matrix product may add in another for another number of rows.
    joint: FloatArray = np.sum(scores * part_weights(weights or {}), axis=1)
    return joint


def breakdown(score: FloatArray, weights: Mapping[str, float] | None = None) -> LossBreakdown:
    """Name the parts of one score.

    Parameters
    ----------
    score : np.ndarray, shape=(len(PARTS),)
        Measured parts of one candidate.
    weights : mapping of str to float, optional
        As for `totals`.

    Returns
    -------
    LossBreakdown
        Total, scaled terms, and parts in their units.
    """
    parts = {part.name: float(x) for part, x in zip(PARTS, score, strict=True)}
    scaled = {
        term: float(
            np.mean([parts[part.name] / part.scale for part in PARTS if part.term == term])
        )
        for term in TERMS
    }
    total = float(totals(np.atleast_2d(score), weights)[0])
    return LossBreakdown(total, scaled, parts, LOSS_VERSION)
