"""The plan of a search: what moves in which stage, how, and for how long.

First local searches from many starts find the valley, and proposals (a part of the voice switched
on or off, the other waveform, another octave) find better ones; then the onset is searched by
itself; an evolution strategy takes small steps where the loss is rough, which is where oscillators
beat or a panel has steps; then the patch is made plain, and a local search fits what is left.
`DEVELOPERS.md` has the table of what was tried.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matcher.optimise import DEFAULT_POPULATION, DEFAULT_SAMPLER, BasinHopping, Box, make_sampler
from matcher.optimise.basin_hopping import JITTER, MOST_SEARCHES
from matcher.search.onset_search import LEAST_ONSETS, WHOLE_ONSETS
from matcher.search.proposals import (
    BEATS,
    PHASE_GRIDS,
    PROPOSALS,
    START_VARIANTS,
    PhaseGrid,
    coarse_entries,
    coupled_entries,
    families_of,
    phase_grid,
    proposal_vectors,
    pulse_kinds,
    redrawn_entries,
    sweep_vectors,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.optimise import Sampler
    from matcher.problem import Problem
    from shared import FloatArray
    from shared.types import IntArray

__all__ = [
    "DEFAULT_PLAN",
    "REFIT",
    "SEVERAL_PLAN",
    "STEPPED_PLAN",
    "WHOLE",
    "EvolutionStrategy",
    "FirstLook",
    "LocalSearch",
    "OnsetStage",
    "Stage",
    "default_plan",
]

# What small steps are taken with in a search by stages.
SMALL_STEPS = "cmaes"
# What the first steps from one start cost, all in all, in candidates.
EACH_START = 400
# Candidates that are spread over the voice in the first look, and a stage's share of them at most.
N_SWEPT, SWEPT_SHARE = 256, 0.25
# Part of a counted budget that correcting gates once is worth.
GATES_APART = 0.02
# A phase grid has one place of the cycle for so many candidates of its stage.
EACH_PHASE = 200


@dataclass(frozen=True)
class Stage:
    """One stage of a search: everything moves, from the best so far."""

    name: str
    # Part of the budget; what a plan leaves goes into making the patch plain.
    share: float
    # Whether the phases move too, and whether estimated gates are corrected in the end.
    has_phases: bool = True
    fits_gates: bool = False

    def share_apart(self, n_each: float) -> float:
        """Part of a counted budget for candidates that aren't recorded; a time holds them.

        `n_each` is the budget times the number of notes.
        """
        del n_each
        return GATES_APART if self.fits_gates else 0.0

    def columns(self, problem: Problem) -> IntArray:
        """Return the entries of a vector that move."""
        n_names = len(problem.space)
        n_moving = problem.n_dimensions if self.has_phases and n_names else n_names
        return np.arange(n_moving, dtype=np.int64)

    def grids(self, problem: Problem, base: FloatArray, *, n_left: int) -> list[PhaseGrid]:
        """Make the phase grids that are tried first; coarser with few candidates, or none."""
        del problem, base, n_left
        return []

    def starts(
        self,
        problem: Problem,
        base: FloatArray,
        grids: Sequence[FloatArray],
        *,
        n_left: int,
        seed: int,
    ) -> FloatArray:
        """Make the vectors that the stage begins with, the base first."""
        del problem, grids, n_left, seed
        return base[None, :]

    def proposals(
        self, problem: Problem, base: FloatArray, grids: Sequence[FloatArray]
    ) -> FloatArray:
        """Make the changes that are tried; NaN where one changes nothing."""
        del base, grids
        return np.empty((0, problem.n_dimensions))

    def sampler(
        self,
        problem: Problem,
        columns: IntArray,
        starts: FloatArray,
        proposals: FloatArray,
        *,
        name: str,
        seed: int,
        n_left: int,
    ) -> Sampler:
        """Make what asks for candidates in the moving columns."""
        raise NotImplementedError


@dataclass(frozen=True)
class EvolutionStrategy(Stage):
    """Small steps; the one kind of stage that takes a sampler by its name."""

    # Standard deviation of the first draws, as a share of each range.
    sigma: float = 0.2
    # Candidates in a generation: fewer come to a close sooner in few dimensions.
    population: int = DEFAULT_POPULATION

    def sampler(
        self,
        problem: Problem,
        columns: IntArray,
        starts: FloatArray,
        proposals: FloatArray,
        *,
        name: str,
        seed: int,
        n_left: int,
    ) -> Sampler:
        """Make the sampler of that name; the strategy by itself is the default."""
        del proposals, n_left
        return make_sampler(
            SMALL_STEPS if name == DEFAULT_SAMPLER else name,
            len(columns),
            seed=seed,
            starts=starts[:, columns],
            sigma=self.sigma,
            population=self.population,
            circular=problem.circular[columns],
            cells=problem.cells[columns],
        )


@dataclass(frozen=True)
class LocalSearch(Stage):
    """Local searches from some starts, then basin hopping through proposals."""

    # At how many places of their cycles oscillators and LFOs are tried, and whether those are
    # starts; they are proposals if not.
    n_phases: int = 0
    starts_from_grids: bool = False

    def grids(self, problem: Problem, base: FloatArray, *, n_left: int) -> list[PhaseGrid]:
        """Make those grids of which the problem has the phase."""
        n_phases = min(self.n_phases, n_left // EACH_PHASE)
        if n_phases < 1:
            return []
        grids = [
            phase_grid(problem, settings, base, phase=phase, n_phases=n_phases)
            for phase, settings in self._settings_of_grids()
        ]
        return [grid for grid in grids if len(grid.rows)]

    def starts(
        self,
        problem: Problem,
        base: FloatArray,
        grids: Sequence[FloatArray],
        *,
        n_left: int,
        seed: int,
    ) -> FloatArray:
        """Begin at the base, and on the grids if they are starts."""
        del problem, n_left, seed
        return np.concatenate([base[None, :], *(grids if self.starts_from_grids else ())])

    def proposals(
        self, problem: Problem, base: FloatArray, grids: Sequence[FloatArray]
    ) -> FloatArray:
        """Propose what the table has, and the grids if they are no starts."""
        rows = [proposal_vectors(problem, PROPOSALS), pulse_kinds(problem)]
        if not self.starts_from_grids:
            rows += [np.where(grid == base, np.nan, grid) for grid in grids]
        joined: FloatArray = np.concatenate(rows)
        moving: FloatArray = joined[~np.all(np.isnan(joined), axis=1)]
        return moving

    def sampler(
        self,
        problem: Problem,
        columns: IntArray,
        starts: FloatArray,
        proposals: FloatArray,
        *,
        name: str,
        seed: int,
        n_left: int,
    ) -> Sampler:
        """Make a local search, whatever the sampler's name is."""
        del name
        proposals = proposals[~np.all(np.isnan(proposals[:, columns]), axis=1)]
        groups = redrawn_entries(problem)
        groups = groups[np.any(groups[:, columns], axis=1)]
        return BasinHopping(
            Box(problem.circular[columns], problem.cells[columns]),
            seed=seed,
            starts=starts[:, columns],
            proposals=proposals[:, columns],
            masks=coupled_entries(problem, ~np.isnan(proposals))[:, columns],
            families=families_of(problem, proposals),
            groups=groups[:, columns],
            group_masks=coupled_entries(problem, groups)[:, columns],
            n_searches=min(max(n_left // EACH_START, 1), MOST_SEARCHES),
            coarse=coarse_entries(problem)[columns] if isinstance(self, FirstLook) else None,
            # Onsets are where they were found to be; a step aside would lose them.
            jitter=0.0 if isinstance(self, OnsetStage) else JITTER,
        )

    def _settings_of_grids(self) -> Sequence[tuple[str, Sequence[dict[str, float]]]]:
        """Return phases, and the settings that are tried with each."""
        return PHASE_GRIDS


@dataclass(frozen=True)
class FirstLook(LocalSearch):
    """A local search that begins with variants of the base, and a sweep of the whole voice."""

    def starts(
        self,
        problem: Problem,
        base: FloatArray,
        grids: Sequence[FloatArray],
        *,
        n_left: int,
        seed: int,
    ) -> FloatArray:
        """Begin at the base, its variants, the grids if they are starts, and the sweep."""
        rows = [base[None, :], proposal_vectors(problem, START_VARIANTS, base)]
        rows += grids if self.starts_from_grids else ()
        n_swept = min(N_SWEPT, int(SWEPT_SHARE * n_left))
        if n_swept:
            rows.append(sweep_vectors(problem, base, n_swept, seed=seed))
        return np.concatenate(rows)

    def _settings_of_grids(self) -> Sequence[tuple[str, Sequence[dict[str, float]]]]:
        """Try how oscillators beat; LFOs come later."""
        return (("osc2.phase", BEATS),)


@dataclass(frozen=True)
class OnsetStage(LocalSearch):
    """A local search from what `matcher.search.onset_search` finds, beside the best so far."""

    has_proposals: bool = True
    # What the onset search is worth: of a time, a share of the stage's, and of a counted budget
    # a part of its own.
    onset_share: float = 1.0
    onset_apart: float = 0.115

    def share_apart(self, n_each: float) -> float:
        """Keep a part for the onset, if the budget is large enough for it."""
        n_onset = self.onset_share * self.share * n_each
        is_worth_it = n_onset >= LEAST_ONSETS * WHOLE_ONSETS
        return super().share_apart(n_each) + self.onset_apart * is_worth_it

    def proposals(
        self, problem: Problem, base: FloatArray, grids: Sequence[FloatArray]
    ) -> FloatArray:
        """Propose what other local searches do, or nothing."""
        found = super().proposals(problem, base, grids)
        return found if self.has_proposals else found[:0]


WHOLE = (EvolutionStrategy("everything", 1.0),)
_FIRST = FirstLook("first search", 0.2, n_phases=8, starts_from_grids=True, fits_gates=True)
DEFAULT_PLAN = (
    _FIRST,
    LocalSearch("wider search", 0.39, n_phases=12),
    OnsetStage("attack", 0.12, has_proposals=False, fits_gates=True),
)
# Of several notes, each new stage finds the phases of every note again, around the patch as it has
# become meanwhile: LFO rates over the keyboard come back with this plan, and don't with the other.
SEVERAL_PLAN = (
    _FIRST,
    LocalSearch("wider search", 0.2, n_phases=12, starts_from_grids=True, fits_gates=True),
    LocalSearch("wider search, once more", 0.15, n_phases=12, starts_from_grids=True),
    OnsetStage("attack", 0.1, has_proposals=False, fits_gates=True),
    EvolutionStrategy("small steps", 0.1, sigma=0.02),
)
# On a panel whose controls have few positions, no local search can stop where it would: the
# strategy, which knows steps, has more.
STEPPED_PLAN = (
    FirstLook("first search", 0.2, fits_gates=True),
    EvolutionStrategy("steps", 0.46, sigma=0.1),
)
# What the ladder leaves of the budget goes into the suggested patch.
REFIT = OnsetStage("the rest fitted again", 1.0, onset_share=0.06, onset_apart=0.03)


def default_plan(problem: Problem) -> tuple[Stage, ...]:
    """Choose the plan: for a panel if most parameters move in steps, for one note or several."""
    n_stepped = int(np.count_nonzero(problem.cells[: len(problem.space)]))
    if 2 * n_stepped > len(problem.space):
        return STEPPED_PLAN
    return SEVERAL_PLAN if problem.n_notes > 1 else DEFAULT_PLAN
