"""An explanation of a run, and the file that it is kept in.

Every section is optional: an explanation that was stopped holds what was done until then.
"""

from __future__ import annotations

from collections.abc import Mapping  # noqa: TC003  fields are resolved when a file is read
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, TypeVar

from shared import RunFolderError
from shared.documents import (
    Document,
    document_from,
    read_document,
    to_builtins,
    write_document,
)

__all__ = [
    "EXPLAIN_FILE",
    "SCHEMA_VERSION",
    "BuildOrder",
    "BuildStep",
    "Explanation",
    "Importance",
    "Interactions",
    "PartEffect",
    "PartsInPatch",
    "ProfilePoint",
    "SearchImportance",
    "Slack",
    "SlackOfPatch",
    "StandIn",
    "TradeOff",
]

EXPLAIN_FILE = "explain.json"
KIND = "earwright explanation"
SCHEMA_VERSION = 1
Record = TypeVar("Record")


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

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {"kind": KIND, "schema_version": SCHEMA_VERSION, **to_builtins(self)}

    def save(self, run: str | Path) -> Path:
        """Write `explain.json` into a run folder, whole or not at all.

        Parameters
        ----------
        run : str or Path
            The folder; an earlier explanation in it is replaced.

        Returns
        -------
        Path
            The file.

        Raises
        ------
        FileError
            If it can't be written.
        """
        path = Path(run) / EXPLAIN_FILE
        write_document(path, self.to_dict())
        return path

    @classmethod
    def load(cls, run: str | Path) -> Explanation:
        """Read the explanation of a run.

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
        return read_record(path, _Head, cls, advice="Make it anew with `earwright explain`.")


class _Head(Document, frozen=True):
    """What the file is."""

    kind: Literal["earwright explanation"]
    schema_version: Literal[1]


def read_record(path: Path, head: type[Document], kind: type[Record], *, advice: str) -> Record:
    """Read a record whose file says what it is besides."""
    data = read_document(path, dict[str, Any], error=RunFolderError, advice=advice)
    document_from(data, head, where=str(path), error=RunFolderError, advice=advice)
    return document_from(data, kind, where=str(path), error=RunFolderError, advice=advice)


@dataclass(frozen=True)
class ProfilePoint:
    """One place of a control, the others fitted again.

    Parameters
    ----------
    value : float
        Value of the parameter.
    loss : float
        Loss there.
    largest : float
        Largest rise of a measured part of the loss, in just-noticeable differences.
    """

    value: float
    loss: float
    largest: float


@dataclass(frozen=True)
class Slack:
    """How exactly one control has to be set.

    Parameters
    ----------
    name : str
        The parameter.
    part, label : str
        Its part and its name on a panel.
    value, low, high : float
        Where it stands, and the interval within which no difference is heard, the other
        controls fitted again.
    is_low_open, is_high_open : bool
        Whether the interval ends at the end of the range, and not at a difference.
    alone_low, alone_high : float
        The same interval with all other controls left alone.
    exactness : str
        "anywhere", "roughly", "with care" or "exactly": how much of the range the interval is.
    profile : tuple of ProfilePoint
        What was measured, by rising value.
    sentence : str
        In words.
    """

    name: str
    part: str
    label: str
    value: float
    low: float
    high: float
    is_low_open: bool
    is_high_open: bool
    alone_low: float
    alone_high: float
    exactness: str
    profile: tuple[ProfilePoint, ...]
    sentence: str

    def holds(self, value: float) -> bool:
        """Say whether a value lies within the slack.

        Parameters
        ----------
        value : float
            In the unit of the parameter.

        Returns
        -------
        bool
            True from `low` to `high`.
        """
        return self.low <= value <= self.high


@dataclass(frozen=True)
class TradeOff:
    """Two controls that can stand in for each other.

    Parameters
    ----------
    first, second : str
        The parameters.
    first_values, second_values : tuple of (float, float)
        Where they stand in the patch, and where they stand in another setting that sounds the
        same.
    strength : float, 0 to 1
        Share of what moving the first one changes that the second one takes back.
    sentence : str
        "A lower cutoff with more envelope depth ...".
    """

    first: str
    second: str
    first_values: tuple[float, float]
    second_values: tuple[float, float]
    strength: float
    sentence: str


@dataclass(frozen=True)
class SlackOfPatch:
    """How exactly each control has to be set.

    Parameters
    ----------
    slacks : tuple of Slack
        The most exact one first.
    trade_offs : tuple of TradeOff
        The strongest one first.
    missing : tuple of str
        Parameters that time was too short for.
    """

    slacks: tuple[Slack, ...]
    trade_offs: tuple[TradeOff, ...]
    missing: tuple[str, ...] = ()


@dataclass(frozen=True)
class BuildStep:
    """One step from the plain patch to the final one.

    Parameters
    ----------
    number : int
        From 1.
    part : str
        The part that is set.
    text : str
        What to do, in panel language.
    values : mapping of str to float
        What is set.
    loss : float
        Loss after the step.
    change : float
        How far the sound moves in this step, in just-noticeable differences of what changes
        most.
    file : str
        The sound after the step, within the run folder.
    """

    number: int
    part: str
    text: str
    values: Mapping[str, float]
    loss: float
    change: float
    file: str


@dataclass(frozen=True)
class BuildOrder:
    """From the plain patch to the final one, the step that helps most first.

    Parameters
    ----------
    start_text : str
        What the plain patch is.
    start_loss, final_loss : float
        Loss of the plain patch, and of the patch.
    start_file : str
        Sound of the plain patch.
    steps : tuple of BuildStep
        No more than can be heard.
    left_out : tuple of str
        What the patch sets besides, and nobody hears.
    """

    start_text: str
    start_loss: float
    final_loss: float
    start_file: str
    steps: tuple[BuildStep, ...]
    left_out: tuple[str, ...]


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
