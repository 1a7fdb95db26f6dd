"""The plan of a search: which parameters move in which stage, how, and for how long.

First walks from many starts find the valley, and jumps (a part of the voice switched on or off,
the other waveform, another octave) find better ones; then an evolution strategy takes small
steps where the ground is rough, which is where oscillators beat; then the patch is made plain,
and walks fit what is left. `DEVELOPERS.md` has the table of what was tried.
"""

from __future__ import annotations

from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

import numpy as np

from matcher.optimise import DEFAULT_POPULATION
from matcher.optimise.basin_hopping import MOST_SEARCHES
from matcher.search.jumps import BEATS, FANS, JUMPS, START_VARIANTS, fan_vectors, jump_vectors
from matcher.search.starts import sweep_vectors

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.problem import Problem
    from shared import FloatArray

__all__ = [
    "DEFAULT_PLAN",
    "REFIT",
    "SEVERAL_PLAN",
    "STEPPED_PLAN",
    "WHOLE",
    "Fan",
    "Stage",
    "default_plan",
]

# What the first steps from one start cost, all in all, in candidates.
EACH_WALK = 400


@dataclass(frozen=True, eq=False)
class Fan:
    """Jumps with an oscillator or LFO at several places of its cycle.

    Parameters
    ----------
    rows : np.ndarray, shape=(n_jumps * n_phases, n_dimensions)
        From `matcher.search.jumps.fan_vectors`.
    phase : str
        Which oscillator or LFO: a name of `shared.PHASE_NAMES`.
    n_phases : int >= 1
        At how many places.
    """

    rows: FloatArray
    phase: str
    n_phases: int


@dataclass(frozen=True)
class Stage:
    """One stage of a search.

    Parameters
    ----------
    name : str
        Name, as shown beside the progress bar.
    share : float, 0 < share <= 1
        Part of the budget; what a plan leaves goes into making the patch plain.
    sigma : float, 0 <= sigma <= 1
        Standard deviation of the first draws of the evolution strategy, as a share of each
        range; 0 lets the stage walk downhill instead (`matcher.optimise.BasinHopping`).
    only : tuple of str
        Patterns of the parameters that move; the others stay at the best so far.
    has_phases : bool
        Whether the nuisance phases move too.
    n_sweep : int >= 0
        Candidates spread over the voice that are tried before the stage begins.
    has_variants : bool
        Whether the usual variants of the best so far are tried too.
    n_phases : int >= 0
        At how many places of their cycles oscillator 2 (with several detunes) and, if the stage
        has no sweep, pitch envelopes and LFOs are tried.
    starts_from_fans : bool
        Whether these are starts; they are jumped to if not.
    has_fronts : bool
        Whether front edges are searched by themselves first (`matcher.search.onset_search`), to
        be walked from beside the best so far.
    has_jumps : bool
        Whether a walking stage jumps to the places of `matcher.search.jump_tables`; it draws
        groups anew and jumps at random in any case.
    fits_gates : bool
        Whether estimated gates are corrected when the stage is over.
    population : int >= 4
        Candidates in a generation of the evolution strategy; fewer come to a close sooner in few
        dimensions.
    """

    name: str
    share: float
    sigma: float = 0.0
    only: tuple[str, ...] = ("*",)
    has_phases: bool = True
    n_sweep: int = 0
    has_variants: bool = False
    n_phases: int = 0
    starts_from_fans: bool = False
    has_fronts: bool = False
    has_jumps: bool = True
    fits_gates: bool = False
    population: int = DEFAULT_POPULATION

    @property
    def walks(self) -> bool:
        """Whether the stage walks downhill and jumps."""
        return self.sigma == 0.0

    def columns(self, problem: Problem) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """Return the entries of a vector that move in this stage.

        Parameters
        ----------
        problem : Problem
            What is searched.

        Returns
        -------
        np.ndarray of int, shape=(n_moving,)
            Places in the vector, in order; empty if the structure has no such
            parameter.
        """
        moving = [
            i
            for i, name in enumerate(problem.space.names)
            if any(fnmatchcase(name, pattern) for pattern in self.only)
        ]
        if self.has_phases and moving:
            moving += range(len(problem.space), problem.n_dimensions)
        return np.array(moving, dtype=np.int64)

    def n_walks(self, n_left: int) -> int:
        """Say how many starts a walking stage can go on from.

        Parameters
        ----------
        n_left : int
            Candidates that the stage has, about.

        Returns
        -------
        int
            1 to `MOST_SEARCHES`.
        """
        return min(max(n_left // EACH_WALK, 1), MOST_SEARCHES)

    def fans(self, problem: Problem, base: FloatArray, *, n_left: int) -> list[Fan]:
        """Make the fans that the stage begins with: oscillators and LFOs all round their cycles.

        Parameters
        ----------
        problem : Problem
            What is searched.
        base : np.ndarray, shape=(n_dimensions,)
            The best vector so far.
        n_left : int
            Candidates that the stage has, about; with few, fans are coarser, or left out.

        Returns
        -------
        list of Fan
            Those of which the problem has the phase.
        """
        n_phases = min(self.n_phases, n_left // 200)
        if n_phases < 1:
            return []
        wanted = (("osc2.phase", BEATS),) if self.n_sweep else FANS
        fans = [
            Fan(fan_vectors(problem, jumps, base, phase=phase, n_phases=n_phases), phase, n_phases)
            for phase, jumps in wanted
        ]
        return [fan for fan in fans if len(fan.rows)]

    def starts(
        self,
        problem: Problem,
        base: FloatArray,
        fans: Sequence[FloatArray],
        *,
        n_left: int,
        seed: int,
    ) -> FloatArray:
        """Make the vectors that the stage begins with.

        Parameters
        ----------
        problem : Problem
            What is searched.
        base : np.ndarray, shape=(n_dimensions,)
            The best vector so far.
        fans : sequence of np.ndarray, shape=(n_rows, n_dimensions)
            What has become of the fans.
        n_left : int
            Candidates that the stage has, about; the sweep takes a quarter of them at most.
        seed : int >= 0
            Seed of the sweep.

        Returns
        -------
        np.ndarray, shape=(n_starts, n_dimensions)
            The base first, then its variants, the fans if they are starts, the sweep.
        """
        rows = [base[None, :]]
        if self.has_variants:
            rows.append(jump_vectors(problem, START_VARIANTS, base))
        if self.starts_from_fans:
            rows += fans
        n_sweep = min(self.n_sweep, n_left // 4)
        if n_sweep > 0:
            rows.append(sweep_vectors(problem, base, n_sweep, seed=seed))
        return np.concatenate(rows)

    def jumps(self, problem: Problem, base: FloatArray, fans: Sequence[FloatArray]) -> FloatArray:
        """Make the places that a walking stage jumps to.

        Parameters
        ----------
        problem : Problem
            What is searched.
        base : np.ndarray, shape=(n_dimensions,)
            What the fans were made from.
        fans : sequence of np.ndarray, shape=(n_rows, n_dimensions)
            What has become of the fans; if they aren't starts, they are jumps.

        Returns
        -------
        np.ndarray, shape=(n_jumps, n_dimensions)
            NaN where a jump changes nothing; no rows if the stage has none.
        """
        if not self.walks or not self.has_jumps:
            return np.empty((0, problem.n_dimensions))
        rows = [jump_vectors(problem, JUMPS)]
        if not self.starts_from_fans:
            rows += [np.where(fan == base, np.nan, fan) for fan in fans]
        jumps: FloatArray = np.concatenate(rows)
        moving: FloatArray = jumps[~np.all(np.isnan(jumps), axis=1)]
        return moving


WHOLE = (Stage("everything", 1.0, 0.2),)
_WALKS = Stage(
    "walks",
    0.2,
    n_sweep=256,
    has_variants=True,
    n_phases=8,
    starts_from_fans=True,
    fits_gates=True,
)
DEFAULT_PLAN = (
    _WALKS,
    Stage("walks and jumps", 0.45, n_phases=12),
    Stage("front edges", 0.12, has_fronts=True, has_jumps=False, fits_gates=True),
)
# Of several notes, each new stage finds the phases of every note again, around the patch as it has
# become meanwhile: LFO rates over the keyboard come back with this plan, and don't with the other.
SEVERAL_PLAN = (
    _WALKS,
    Stage("walks and jumps", 0.2, n_phases=12, starts_from_fans=True, fits_gates=True),
    Stage("walks and more jumps", 0.15, n_phases=12, starts_from_fans=True),
    Stage("front edges", 0.1, has_fronts=True, has_jumps=False, fits_gates=True),
    Stage("small steps", 0.15, 0.02),
)
# On a panel whose controls have few positions, no walk can stop where it would: the strategy,
# which knows steps, has more.
STEPPED_PLAN = (
    Stage("walks", 0.2, n_sweep=256, has_variants=True, fits_gates=True),
    Stage("steps", 0.5, 0.1),
)
# What is left of the budget once the patch was made plain.
REFIT = Stage("the rest fitted again", 1.0, has_fronts=True)


def default_plan(problem: Problem) -> tuple[Stage, ...]:
    """Choose the plan of a search.

    Parameters
    ----------
    problem : Problem
        What is searched.

    Returns
    -------
    tuple of Stage
        `STEPPED_PLAN` if most parameters move in steps, `SEVERAL_PLAN` for more than one note,
        else `DEFAULT_PLAN`.
    """
    n_stepped = int(np.count_nonzero(problem.cells[: len(problem.space)]))
    if 2 * n_stepped > len(problem.space):
        return STEPPED_PLAN
    return SEVERAL_PLAN if problem.n_notes > 1 else DEFAULT_PLAN
