"""What a refinement begins with: patch, voice, notes, what may move, and for how long."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from matcher.evaluator import Evaluator
from matcher.matching import check_budget, make_problem
from matcher.optimise import DEFAULT_SAMPLER
from matcher.playing import prepare_note
from matcher.problem import Problem
from matcher.refining.selection import Selection, choose_space, with_values
from matcher.search.gates import fit_gates
from shared import ParameterSpace

if TYPE_CHECKING:
    from matcher.target import Target
    from shared import Patch
    from voice import Structure

__all__ = ["DEFAULT_REFINE_SECONDS", "Refinement", "checked_budget", "fitted_gates"]

DEFAULT_REFINE_SECONDS = 10.0


@dataclass(frozen=True)
class Refinement:
    """All that a refinement begins with.

    Parameters
    ----------
    patch : Patch
        Where it begins, before values are set.
    structure : Structure
        The voice.
    target : Target
        The notes.
    gates_s : tuple of float
        For how long the keys are held; as the target says if empty.
    weights : mapping of str to float
        Weights of the loss terms.
    noise_seed : int
        Seed of the voice's noise.
    selection : Selection
        What may move.
    seconds : float, optional
        Budget in seconds; 0 if nothing is to be searched.
    evals : int, optional
        Budget in evaluations; 0 if nothing is to be searched.
    seed : int
        Seed of the search.
    """

    patch: Patch
    structure: Structure
    target: Target
    gates_s: tuple[float, ...]
    weights: Mapping[str, float]
    noise_seed: int
    selection: Selection
    seconds: float | None
    evals: int | None
    seed: int

    @property
    def is_search(self) -> bool:
        """Whether anything is to be searched."""
        return self.seconds != 0 and self.evals != 0

    @property
    def begun(self) -> Patch:
        """The patch after values were set."""
        return with_values(self.patch, self.structure, self.selection.set_values)

    def space(self) -> ParameterSpace:
        """Say what moves; see `choose_space`."""
        told = make_problem(self.target, self.structure).space.names
        return choose_space(self.begun, self.structure, told, self.selection)

    @property
    def has_phases(self) -> bool:
        """Whether the patch has phases for these notes."""
        return len(self.patch.phases) == len(self.target.notes)

    def evaluator(self, problem: Problem) -> Evaluator:
        """Make what scores candidates of a problem on these notes."""
        notes = [note.note for note in self.target.notes]
        if self.gates_s:
            pairs = zip(notes, self.gates_s, strict=True)
            notes = [replace(note, gate_s=gate_s) for note, gate_s in pairs]
        targets = [prepare_note(note) for note in self.target.notes]
        return Evaluator(problem, targets, notes, weights=self.weights, seed=self.noise_seed)

    def settings(self) -> dict[str, Any]:
        """Describe it as the settings of a search."""
        chosen, within = self.selection, self.selection.within
        return {
            "structure": self.structure.name,
            "seconds": self.seconds,
            "evals": self.evals,
            "seed": self.seed,
            "noise_seed": self.noise_seed,
            "sampler": DEFAULT_SAMPLER,
            "weights": dict(self.weights),
            "only": list(chosen.only),
            "hold": list(chosen.hold),
            "within": dict(within) if isinstance(within, Mapping) else within,
            "set_values": dict(chosen.set_values),
        }


def checked_budget(
    seconds: float | None, evals: int | None, selection: Selection
) -> tuple[float | None, int | None]:
    """Accept one budget; 0 of either where values are set.

    Parameters
    ----------
    seconds, evals
        As for `matcher.refine`.
    selection : Selection
        What may move, and what is set.

    Returns
    -------
    tuple of (float or None, int or None)
        Seconds and evaluations, one of them given.

    Raises
    ------
    ParameterError
        If both are given, or one lies outside its range.
    """
    if selection.set_values and 0 in (seconds, evals):
        check_budget(seconds or None, evals or None)
        return seconds, evals
    check_budget(seconds, evals)
    return (DEFAULT_REFINE_SECONDS if seconds is None and evals is None else seconds), evals


def fitted_gates(begun: Refinement) -> tuple[float, ...]:
    """Correct estimated gates for the patch that a refinement begins with.

    Parameters
    ----------
    begun : Refinement
        What it begins with.

    Returns
    -------
    tuple of float
        One for each note, in seconds; they stay for the whole refinement.
    """
    problem = Problem(
        begun.structure, ParameterSpace(()), begun.begun.values, len(begun.target.notes)
    )
    with begun.evaluator(problem) as evaluator:
        vector = problem.vector({}, begun.patch.phases if begun.has_phases else ())
        fit_gates(evaluator, vector, ["gate" in note.estimated for note in begun.target.notes])
        return tuple(note.gate_s for note in evaluator.notes)
