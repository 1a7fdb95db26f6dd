"""Records of what mattered: over the search, and part by part in the patch.

Losses and rises count audible steps, 1 is about one just-noticeable difference.
"""

from __future__ import annotations

from collections.abc import Mapping  # noqa: TC003  fields are resolved when a file is read
from dataclasses import dataclass, field

__all__ = [
    "Importance",
    "Interactions",
    "PartEffect",
    "PartsInPatch",
    "SearchImportance",
    "StandIn",
]


@dataclass(frozen=True)
class Importance:
    """How much each parameter explains, by one measure over the whole search.

    Parameters
    ----------
    method : str
        "PED-ANOVA" or "fANOVA".
    scope : str
        What it was computed over: "all evaluations", "best quarter".
    meaning : str
        The question that it answers, in a sentence.
    n_evaluations : int
        Evaluations that it has seen.
    importances : mapping of str to float, 0 to 1
        Share of each parameter, largest first; they add up to 1.
    """

    method: str
    scope: str
    meaning: str
    n_evaluations: int
    importances: Mapping[str, float]


@dataclass(frozen=True)
class SearchImportance:
    """Which parameters explain the loss over the search.

    Parameters
    ----------
    n_evaluations : int
        Evaluations in the record.
    measures : tuple of Importance
        One for each measure and scope.
    """

    n_evaluations: int
    measures: tuple[Importance, ...]


@dataclass(frozen=True)
class StandIn:
    """A control that moved when the rest was fitted again without a part.

    Parameters
    ----------
    name : str
        The parameter.
    before, after : float
        Its value in the patch, and after the fit.
    text : str
        The change in panel language.
    """

    name: str
    before: float
    after: float
    text: str


@dataclass(frozen=True)
class PartEffect:
    """What one part of the voice brings in this patch.

    Rises say by how much the patch without the part is further from the target than the patch,
    in audible steps; negative ones: it comes closer without.

    Parameters
    ----------
    part : str
        Title of the part, as in `matcher.parts`.
    verdict : str
        "needed" (missed even after the rest was fitted again), "replaceable" (missed, but
        others can take over), "inaudible" (not missed) or "absent" (it does nothing in this
        patch).
    neutral : mapping of str to float
        Values with which it was left out.
    loss, refit_loss : float or None
        Loss without it: as it is, and with the rest fitted again. None where not measured.
    rise, refit_rise : float or None
        The same against the loss of the patch.
    largest, refit_largest : float or None
        Largest rise of a single measured part of the loss, in just-noticeable differences; from
        1 on it counts as audible.
    by_term, refit_by_term : mapping of str to float
        Rise of each term of the loss.
    by_time, by_band : mapping of str to float
        Rise of the difference from the target within the attack, body and release, and within
        bands.
    by_time_and_band : mapping of str to mapping of str to float
        The same for each band within each stretch of time.
    by_note : mapping of str to float
        Rise of the loss on each note.
    stand_ins : tuple of StandIn
        What moved most in the fit without it.
    sentence : str
        All that in a sentence.
    """

    part: str
    verdict: str
    neutral: Mapping[str, float] = field(default_factory=dict)
    loss: float | None = None
    refit_loss: float | None = None
    rise: float | None = None
    refit_rise: float | None = None
    largest: float | None = None
    refit_largest: float | None = None
    by_term: Mapping[str, float] = field(default_factory=dict)
    refit_by_term: Mapping[str, float] = field(default_factory=dict)
    by_time: Mapping[str, float] = field(default_factory=dict)
    by_band: Mapping[str, float] = field(default_factory=dict)
    by_time_and_band: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    by_note: Mapping[str, float] = field(default_factory=dict)
    stand_ins: tuple[StandIn, ...] = ()
    sentence: str = ""

    @property
    def is_there(self) -> bool:
        """Whether the part is missed when it is left out."""
        return self.verdict in {"needed", "replaceable"}


@dataclass(frozen=True)
class Interactions:
    """Sobol indices of the loss in a box around the patch.

    Parameters
    ----------
    names : tuple of str
        The parameters that were moved.
    low, high : mapping of str to float
        The box, in physical units.
    first, total : mapping of str to float
        Share of the variance that a parameter explains alone, and with all others.
    n_evaluations : int
        Candidates that were scored.
    sentences : tuple of str
        What acts jointly, in words.
    """

    names: tuple[str, ...]
    low: Mapping[str, float]
    high: Mapping[str, float]
    first: Mapping[str, float]
    total: Mapping[str, float]
    n_evaluations: int
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class PartsInPatch:
    """What each part brings in this patch.

    Parameters
    ----------
    parts : tuple of PartEffect
        The one that is missed most first, absent ones last.
    times, bands : mapping of str to str
        Names of the stretches of time and of the bands, and what they span.
    interactions : Interactions or None
        Sobol indices; None where they were not measured.
    """

    parts: tuple[PartEffect, ...]
    times: Mapping[str, str]
    bands: Mapping[str, str]
    interactions: Interactions | None = None
