"""What a loss consists of: terms, their scales, and the weights that join them.

Every part is scaled so that 1 means about one just-noticeable difference of what it measures;
`tests/benchmarks/bench_scales.py` renders such differences and prints what the parts give.
"""

from __future__ import annotations

from collections.abc import Mapping  # noqa: TC003  dataclass fields are resolved in tests
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from shared import ParameterError, suggest_names

if TYPE_CHECKING:
    from shared import FloatArray

__all__ = [
    "DEFAULT_WEIGHTS",
    "PARTS",
    "TERMS",
    "LossBreakdown",
    "Part",
    "breakdown",
    "complete_weights",
    "part_weights",
    "totals",
]


@dataclass(frozen=True)
class Part:
    """One measured difference.

    Parameters
    ----------
    name : str
        Name with its unit.
    term : str
        The term that it belongs to.
    scale : float > 0
        Its value at about one just-noticeable difference.
    meaning : str
        One line.
    """

    name: str
    term: str
    scale: float
    meaning: str


# The columns of a score, in this order.
PARTS = (
    Part("spectrum_db", "spectral", 0.5, "mean difference of the mel bands, six window sizes"),
    Part("convergence_ratio", "spectral", 0.2, "spectral convergence of the same bands"),
    Part("onset_spectrum_db", "onset", 0.5, "mean difference of short bands, first 150 ms"),
    Part("onset_flux_db", "onset", 0.2, "mean difference of the onset strength, first 150 ms"),
    Part("attack_octaves", "onset", 0.3, "attack time against attack time, in octaves"),
    Part("envelope_db", "envelope", 1.0, "mean difference of the level over time"),
    Part("band_movement_db", "modulation", 0.25, "modulation spectra of the bands, 0.5 to 20 Hz"),
    Part("pitch_movement_cents", "modulation", 0.5, "modulation spectrum of the pitch track"),
    Part("slow_pitch_cents", "pitch", 5.0, "mean difference of the slow pitch tracks"),
)
TERMS = ("spectral", "onset", "envelope", "modulation", "pitch")
DEFAULT_WEIGHTS: Mapping[str, float] = MappingProxyType(
    {"spectral": 1.0, "onset": 0.8, "envelope": 0.5, "modulation": 0.5, "pitch": 0.25}
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
    """

    total: float
    terms: Mapping[str, float] = field(default_factory=dict)
    parts: Mapping[str, float] = field(default_factory=dict)

    def to_dict(self) -> dict[str, object]:
        """Return plain numbers for JSON."""
        return {"total": self.total, "terms": dict(self.terms), "parts": dict(self.parts)}


def complete_weights(weights: Mapping[str, float]) -> dict[str, float]:
    """Check weights, and add the default of the terms that are left out.

    Parameters
    ----------
    weights : mapping of str to float
        Weights of terms, >= 0.

    Returns
    -------
    dict of str to float
        A weight for each of `TERMS`, in their order.

    Raises
    ------
    ParameterError
        If a term is unknown, a weight is negative or no number, or all are zero.
    """
    unknown = sorted(set(weights) - set(TERMS))
    if unknown:
        hint = suggest_names(unknown[0], TERMS) or f"{', '.join(TERMS)} are accepted."
        raise ParameterError(f"weight {unknown[0]}: no such term. {hint}", name=unknown[0])
    every = {term: weights.get(term, DEFAULT_WEIGHTS[term]) for term in TERMS}
    if not all(_is_weight(x) for x in every.values()) or not any(every.values()):
        raise ParameterError(
            f"weights are {every}; numbers of 0 or more, one of them above 0, are accepted.",
            name="weights",
            value=every,
        )
    return every


def _is_weight(value: object) -> bool:
    """Whether a value is a number of 0 or more."""
    return isinstance(value, (int, float, np.number)) and 0.0 <= float(value) < np.inf


def part_weights(weights: Mapping[str, float]) -> FloatArray:
    """Weigh each part in the total: its term's weight, shared out and scaled.

    Parameters
    ----------
    weights : mapping of str to float
        Weights of terms, >= 0; `DEFAULT_WEIGHTS` for those left out.

    Returns
    -------
    np.ndarray, shape=(len(PARTS),), dtype=float64
        What one unit of each part adds to the loss.

    Raises
    ------
    ParameterError
        If a weight is unknown or negative, or all are zero.
    """
    every = complete_weights(weights)
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
    joined = part_weights(weights or {})
    # A sum in fixed order; a matrix product may add in another for another number of rows.
    joint: FloatArray = np.sum(scores * joined, axis=1)
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
    scaled = {part.name: float(x) / part.scale for part, x in zip(PARTS, score, strict=True)}
    terms = {
        term: float(np.mean([scaled[part.name] for part in PARTS if part.term == term]))
        for term in TERMS
    }
    return LossBreakdown(
        total=float(totals(np.atleast_2d(score), weights)[0]),
        terms=terms,
        parts={part.name: float(x) for part, x in zip(PARTS, score, strict=True)},
    )
