"""An explanation of a run, and the file that it is kept in.

Every section is optional: an explanation that was stopped holds what was done until then.
"""

from __future__ import annotations

from collections.abc import Mapping  # noqa: TC003  fields are resolved when a file is read
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from shared import RunFolderError
from shared.documents import read_document, to_builtins, write_document

__all__ = [
    "EXPLAIN_FILE",
    "BuildOrder",
    "BuildStep",
    "Explanation",
    "Importance",
    "Interactions",
    "PartEffect",
    "PartsInPatch",
    "SearchImportance",
    "Slack",
    "SlackOfPatch",
    "StandIn",
    "TradeOff",
]

EXPLAIN_FILE = "explain.json"


@dataclass(frozen=True)
class Explanation:
    """What mattered in a run.

    Parameters
    ----------
    patch_digest : str
        SHA-256 of the patch file that is explained.
    structure : str
        Name of the structure.
    loss : float
        Loss of the patch.
    terms : mapping of str to float
        Its terms.
    notes : tuple of str
        Names of the notes.
    created : str
        When it was made (ISO 8601).
    seconds : float
        Budget in s.
    elapsed_s : float
        Time it has taken in s.
    stop_reason : str
        "complete", "stopped" or "running" (what a crash leaves behind).
    search, parts, slack, build : optional
        The sections; None where one was not reached.
    """

    patch_digest: str
    structure: str
    loss: float
    terms: Mapping[str, float]
    notes: tuple[str, ...]
    created: str
    seconds: float
    elapsed_s: float
    stop_reason: str
    search: SearchImportance | None = None
    parts: PartsInPatch | None = None
    slack: SlackOfPatch | None = None
    build: BuildOrder | None = None

    kind: Literal["earwright explanation"] = "earwright explanation"
    schema_version: Literal[1] = 1

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return dict(to_builtins(self))

    def save(self, run: str | Path) -> Path:
        """Write `explain.json` into a run folder, whole or not at all; an earlier one goes."""
        path = Path(run) / EXPLAIN_FILE
        write_document(path, self.to_dict())
        return path

    @classmethod
    def load(cls, run: str | Path) -> Explanation:
        """Read the explanation of a run, from its folder or the file itself.

        Parameters
        ----------
        run : str or Path
            The run folder, or the file itself.

        Returns
        -------
        Explanation
            As it was saved.

        Raises
        ------
        RunFolderError
            If there is none, or it can't be understood; the field is in the message.
        """
        path = Path(run)
        path = path / EXPLAIN_FILE if path.is_dir() else path
        if not path.exists():
            raise RunFolderError(
                f"{path} doesn't exist: the run has not been explained. Run `earwright explain "
                f"{path.parent}` first.",
                path=path,
            )
        advice = "Make it anew with `earwright explain`."
        return read_document(path, cls, error=RunFolderError, advice=advice)


@dataclass(frozen=True)
class Slack:
    """How exactly one control has to be set."""

    # The parameter.
    name: str
    # Its part and its name on a panel.
    part: str
    label: str
    # Its value, and the interval within which no difference is heard, the other controls
    # fitted again.
    value: float
    low: float
    high: float
    # Whether the interval ends at the end of the range, and not at a difference.
    is_low_open: bool
    is_high_open: bool
    # The same interval with all other controls left alone.
    alone_low: float
    alone_high: float
    # "anywhere", "roughly", "with care" or "exactly": how much of the range the interval is.
    exactness: str
    # In words.
    sentence: str

    def holds(self, value: float) -> bool:
        """Say whether a value, in the unit of the parameter, lies within the slack."""
        return self.low <= value <= self.high


@dataclass(frozen=True)
class TradeOff:
    """Two controls that can stand in for each other."""

    # The parameters.
    first: str
    second: str
    # Their values in the patch, and in another setting that sounds the same.
    first_values: tuple[float, float]
    second_values: tuple[float, float]
    # Share of what moving the first one changes that the second one takes back.
    strength: float
    # "A lower cutoff with more envelope depth ...".
    sentence: str


@dataclass(frozen=True)
class SlackOfPatch:
    """How exactly each control has to be set."""

    # The most exact one first.
    slacks: tuple[Slack, ...]
    # The strongest one first.
    trade_offs: tuple[TradeOff, ...]
    # Parameters that time was too short for.
    missing: tuple[str, ...] = ()


@dataclass(frozen=True)
class BuildStep:
    """One step from the plain patch to the final one."""

    # From 1.
    number: int
    # The part that is set.
    part: str
    # What to do, in panel language.
    text: str
    # What is set.
    values: Mapping[str, float]
    # Loss after the step.
    loss: float
    # How far the sound moves in this step, in just-noticeable differences of what changes most.
    change: float
    # The sound after the step, within the run folder.
    file: str


@dataclass(frozen=True)
class BuildOrder:
    """From the plain patch to the final one, the step that helps most first."""

    # What the plain patch is.
    start_text: str
    # Loss of the plain patch, and of the patch.
    start_loss: float
    final_loss: float
    # Sound of the plain patch.
    start_file: str
    # No more than can be heard.
    steps: tuple[BuildStep, ...]
    # What the patch sets besides, and nobody hears.
    left_out: tuple[str, ...]


@dataclass(frozen=True)
class Importance:
    """How much each parameter explains, by one measure over the whole search."""

    # "PED-ANOVA" or "fANOVA".
    method: str
    # What it was computed over: "all evaluations", "best quarter".
    scope: str
    # The question that it answers, in a sentence.
    meaning: str
    # Evaluations that it has seen.
    n_evaluations: int
    # Share of each parameter, largest first; they add up to 1.
    importances: Mapping[str, float]


@dataclass(frozen=True)
class SearchImportance:
    """Which parameters explain the loss over the search."""

    # Evaluations in the record.
    n_evaluations: int
    # One for each measure and scope.
    measures: tuple[Importance, ...]


@dataclass(frozen=True)
class StandIn:
    """A control that moved when the rest was fitted again without a part."""

    # The parameter.
    name: str
    # Its value in the patch, and after the fit.
    before: float
    after: float
    # The change in panel language.
    text: str


@dataclass(frozen=True)
class PartEffect:
    """What one part of the voice brings in this patch.

    Rises say by how much the patch without the part is further from the target than the patch,
    in audible steps; negative ones: it comes closer without.
    """

    # Title of the part, as in `matcher.parts`.
    part: str
    # "needed" (missed even after the rest was fitted again), "replaceable" (missed, but others can
    # take over), "inaudible" (not missed) or "absent" (it does nothing in this patch).
    verdict: str
    # Values with which it was left out.
    neutral: Mapping[str, float] = field(default_factory=dict)
    # Loss without it, and the same against the loss of the patch. None where not measured.
    loss: float | None = None
    rise: float | None = None
    # Largest rise of a single measured part of the loss, in just-noticeable differences; from 1 on
    # it counts as audible.
    largest: float | None = None
    refit_largest: float | None = None
    # Rise of the difference from the target within the attack, body and release, and within bands.
    by_time: Mapping[str, float] = field(default_factory=dict)
    by_band: Mapping[str, float] = field(default_factory=dict)
    # What moved most in the fit without it.
    stand_ins: tuple[StandIn, ...] = ()
    # All that in a sentence.
    sentence: str = ""

    @property
    def is_there(self) -> bool:
        """Whether the part is missed when it is left out."""
        return self.verdict in {"needed", "replaceable"}


@dataclass(frozen=True)
class Interactions:
    """Sobol indices of the loss in a box around the patch."""

    # Share of the variance that a parameter explains alone, and with all others.
    first: Mapping[str, float]
    total: Mapping[str, float]
    # What acts jointly, in words.
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class PartsInPatch:
    """What each part brings in this patch."""

    # The one that is missed most first, absent ones last.
    parts: tuple[PartEffect, ...]
    # Names of the stretches of time and of the bands, and what they span.
    times: Mapping[str, str]
    bands: Mapping[str, str]
    # Sobol indices; None where they were not measured.
    interactions: Interactions | None = None
