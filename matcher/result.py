"""What a match has found."""

from __future__ import annotations

import platform
from dataclasses import dataclass
from importlib import metadata
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matcher.losses import LossBreakdown
    from matcher.optimise import SearchRecord
    from matcher.target import Target, TargetNote
    from shared import FloatArray, ParameterSpace
    from shared.patch import NotePhases, Patch
    from voice import Structure

__all__ = [
    "LeftOutNote",
    "MatchResult",
    "NoteMatch",
    "Rung",
    "StageResult",
    "software_versions",
]

PACKAGES = ("earwright", "numpy", "scipy", "numba", "librosa", "cmaes", "optuna", "soxr")


@dataclass(frozen=True, eq=False)
class NoteMatch:
    """How one note of the target was met.

    Parameters
    ----------
    note : TargetNote
        The note.
    sound : np.ndarray, shape=(n_samples,), dtype=float64
        The patch playing it, on the timeline and at the level of ``note.signal``.
    start, loss : LossBreakdown
        What lay between the first candidate and the note, and what is left.
    """

    note: TargetNote
    sound: FloatArray
    start: LossBreakdown
    loss: LossBreakdown


@dataclass(frozen=True, eq=False)
class LeftOutNote:
    """How a patch plays a note that it was not fitted to.

    Parameters
    ----------
    note : TargetNote
        The note. A gate that was estimated is corrected for this patch.
    sound : np.ndarray, shape=(n_samples,), dtype=float64
        The patch playing it, on the timeline and at the level of ``note.signal``.
    loss : LossBreakdown
        What lies between the two.
    fitted : LossBreakdown
        The same for the notes that this patch was fitted to, mean over them.
    phases : NotePhases
        Phases that were fitted to the note; they are no part of the patch.
    level_gap_db : float
        By how much the patch plays the note too soft, against the fitted notes, in dB.
    patch : Patch
        The patch that plays it.
    """

    note: TargetNote
    sound: FloatArray
    loss: LossBreakdown
    fitted: LossBreakdown
    phases: NotePhases
    level_gap_db: float
    patch: Patch


@dataclass(frozen=True, eq=False)
class StageResult:
    """A state on the way of a search: its start, or the end of a stage.

    The best patch by then, its loss with the gates that the search ended with.
    """

    # "start" or "stage".
    kind: str
    title: str
    patch: Patch
    loss: LossBreakdown


@dataclass(frozen=True, eq=False)
class Rung:
    """One rung of the ladder of a match: the closest patch found with so many settings.

    Parameters
    ----------
    patch : Patch
        The patch.
    loss : LossBreakdown
        Its loss, with the gates that the search ended with.
    n_settings : int
        How many settings are off rest.
    adds : tuple of str
        What it has beside the next shorter rung, in a player's words; all of it if there is none.
    missed : mapping of str to float
        By how much the loss grows, about, when a part is left out and the rest fitted again;
        measured when the rung was fitted, and empty where there was no time.
    is_suggested : bool
        Whether this is the patch of the match: the shortest one that nothing heard separates
        from the closest, or the one that was asked for.
    """

    patch: Patch
    loss: LossBreakdown
    n_settings: int
    adds: tuple[str, ...]
    missed: Mapping[str, float]
    is_suggested: bool


@dataclass(frozen=True, eq=False)
class MatchResult:
    """What a match has found.

    Parameters
    ----------
    patch : Patch
        The best patch, with its provenance and the phases of each note.
    target : Target
        What it was matched to.
    structure : Structure
        The voice.
    space : ParameterSpace
        The parameters that were searched.
    start, end : LossBreakdown
        Loss of the first candidate and of the best one, means over the notes.
    notes : tuple of NoteMatch
        Note by note.
    record : SearchRecord
        Every evaluation.
    settings : mapping of str to object
        Sampler, seed, budget and weights as given.
    n_evaluations : int
        Evaluations in all.
    elapsed_s : float
        Wall time of the search in seconds.
    busy_s : float
        Part of it that went into rendering and scoring.
    stop_reason : str
        "evaluations", "deadline", "converged", "stopped" (by `stop`) or "interrupted" (Ctrl-C).
    left_out : tuple of LeftOutNote
        Notes on which the match was tried without being fitted to them; see
        `matcher.match_leaving_out`.
    stages : tuple of StageResult
        The start and the ends of the stages, but the last, in order of time.
    ladder : tuple of Rung
        From the longest patch to the shortest; empty if the search ended before there were any.
    is_ladder_whole : bool
        Whether there was time to come down to a plain patch.
    """

    patch: Patch
    target: Target
    structure: Structure
    space: ParameterSpace
    start: LossBreakdown
    end: LossBreakdown
    notes: tuple[NoteMatch, ...]
    record: SearchRecord
    settings: Mapping[str, object]
    n_evaluations: int
    elapsed_s: float
    busy_s: float
    stop_reason: str
    left_out: tuple[LeftOutNote, ...] = ()
    stages: tuple[StageResult, ...] = ()
    ladder: tuple[Rung, ...] = ()
    is_ladder_whole: bool = False

    @property
    def evaluations_per_s(self) -> float:
        """Evaluations for each second of the search."""
        return self.n_evaluations / self.elapsed_s if self.elapsed_s > 0 else 0.0

    def history(self) -> list[tuple[int, float, float]]:
        """Each improvement: evaluations by then, seconds by then, loss."""
        places = self.record.improvements()
        times, losses = self.record.elapsed_s[places], self.record.losses[places]
        return [
            (int(n) + 1, float(t), float(loss))
            for n, t, loss in zip(places, times, losses, strict=True)
        ]


def software_versions() -> dict[str, str]:
    """Name the versions of Python and of the packages that take part in a result.

    A package that runs without being installed is "unknown".
    """
    found = {"python": platform.python_version()}
    for name in PACKAGES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "unknown"
    return found
