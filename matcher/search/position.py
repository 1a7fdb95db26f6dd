"""Where a search stands: all that it needs to go on, besides its record, as plain values."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.optimise import DEFAULT_SAMPLER, make_basin_hopping, make_sampler, restore_sampler
from matcher.optimise.basin_hopping import JITTER
from matcher.search.companions import coarse_entries, companions, families_of
from matcher.search.jumps import jump_groups
from shared import ParameterError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matcher.optimise import Sampler
    from matcher.problem import Problem
    from matcher.search.stages import Stage
    from shared import FloatArray

__all__: list[str] = []

# 2: phases are counted in the middle of a note. 3: oscillator 1 has a phase, too.
_VERSION = 3
# Candidates a second, about, of one note: it decides how widely a search with a time to keep
# looks around before it settles.
USUAL_RATE = 800.0
# What the default sampler takes the small steps of some stages with.
SMALL_STEPS = "cmaes"


@dataclass
class Milestone:
    """A state of the search that is worth keeping: its start, or the end of a step."""

    kind: str
    title: str
    vector: FloatArray


@dataclass
class Position:
    """Where a search stands.

    Parameters
    ----------
    step : int >= 0
        Number of the step at work: stages of the plan, then parts back to neutral, then the rest
        fitted again.
    first_row : int >= 0
        Length of the record when this step began.
    has_begun : bool
        Whether `columns`, `base` and `sampler` are those of this step.
    columns : np.ndarray of int, shape=(n_moving,)
        Entries of a vector that move.
    base : np.ndarray, shape=(n_dimensions,)
        The others.
    sampler : Sampler or None
        None where nothing moves.
    final : np.ndarray, shape=(n_dimensions,), or None
        The best plain candidate, once parts were switched off.
    final_loss : float
        Its loss.
    milestones : list of Milestone
        In the order of time.
    """

    columns: np.ndarray[tuple[int], np.dtype[np.int64]]
    base: FloatArray
    step: int = 0
    first_row: int = 0
    has_begun: bool = False
    sampler: Sampler | None = None
    final: FloatArray | None = None
    final_loss: float = np.inf
    milestones: list[Milestone] = field(default_factory=list)

    def enter(self, step: int, n_rows: int) -> None:
        """Come to a step that hasn't begun yet."""
        self.step, self.first_row, self.has_begun = step, n_rows, False

    def begin(
        self,
        stage: Stage,
        problem: Problem,
        starts: FloatArray,
        fans: Sequence[FloatArray],
        jumps: FloatArray,
        *,
        columns: np.ndarray[tuple[int], np.dtype[np.int64]],
        name: str,
        seed: int,
        n_left: int,
    ) -> None:
        """Begin the step: some columns move around the first of `starts`.

        `jumps` (n_jumps, n_dimensions) are taken besides those of the stage.
        """
        begun = stage.starts(problem, starts[0], fans, n_left=n_left, seed=seed)
        rows = np.concatenate([begun, starts[1:]])
        self.columns, self.base, self.has_begun = columns, starts[0], True
        self.sampler = make_step_sampler(
            problem,
            columns,
            rows,
            np.concatenate([stage.jumps(problem, starts[0], fans), jumps]),
            name=name,
            seed=seed,
            stage=stage,
            n_left=n_left,
        )

    def to_state(self) -> dict[str, Any]:
        """Return plain values, as `matcher.optimise.state_to_bytes` takes them."""
        return {
            "version": _VERSION,
            "step": self.step,
            "first_row": self.first_row,
            "has_begun": self.has_begun,
            "columns": self.columns,
            "base": self.base,
            "sampler": None if self.sampler is None else self.sampler.state(),
            "final": self.final,
            "final_loss": float(self.final_loss),
            "milestones": {
                "kinds": [milestone.kind for milestone in self.milestones],
                "titles": [milestone.title for milestone in self.milestones],
                "vectors": np.array([milestone.vector for milestone in self.milestones]),
            },
        }

    @classmethod
    def from_state(cls, state: dict[str, Any]) -> Position:
        """Make the position that `state` describes.

        Raises
        ------
        ParameterError
            If a search was saved whose vectors mean something else.
        """
        if state["version"] != _VERSION:
            raise ParameterError(
                f"the saved search has version {state['version']!r}; {_VERSION} is accepted. "
                "Start the search anew, or refine its best patch.",
                name="version",
                value=state["version"],
            )
        told = state["milestones"]
        sampler = state["sampler"]
        milestones = zip(told["kinds"], told["titles"], told["vectors"], strict=True)
        return cls(
            columns=np.array(state["columns"], dtype=np.int64),
            base=state["base"],
            step=int(state["step"]),
            first_row=int(state["first_row"]),
            has_begun=bool(state["has_begun"]),
            sampler=None if sampler is None else restore_sampler(sampler),
            final=state["final"],
            final_loss=float(state["final_loss"]),
            milestones=[Milestone(*milestone) for milestone in milestones],
        )


def make_step_sampler(
    problem: Problem,
    columns: np.ndarray[tuple[int], np.dtype[np.int64]],
    starts: FloatArray,
    jumps: FloatArray,
    *,
    name: str,
    seed: int,
    stage: Stage,
    n_left: int,
) -> Sampler | None:
    """Make the sampler of a step that moves some columns; None if there is nothing to do.

    A stage that walks does so for every sampler's name.
    """
    if not len(columns) or not len(starts):
        return None
    if stage.walks:
        jumps = jumps[~np.all(np.isnan(jumps[:, columns]), axis=1)]
        groups = jump_groups(problem)
        groups = groups[np.any(groups[:, columns], axis=1)]
        return make_basin_hopping(
            len(columns),
            circular=problem.circular[columns],
            cells=problem.cells[columns],
            seed=seed,
            starts=starts[:, columns],
            proposals=jumps[:, columns],
            masks=companions(problem, ~np.isnan(jumps))[:, columns],
            families=families_of(problem, jumps),
            groups=groups[:, columns],
            group_masks=companions(problem, groups)[:, columns],
            n_searches=stage.n_walks(n_left),
            coarse=coarse_entries(problem)[columns] if stage.n_sweep else None,
            # Front edges are where they were found to be; a step aside would lose them.
            jitter=0.0 if stage.has_fronts else JITTER,
        )
    return make_sampler(
        SMALL_STEPS if name == DEFAULT_SAMPLER else name,
        len(columns),
        seed=seed,
        starts=starts[:, columns],
        sigma=stage.sigma,
        population=stage.population,
        circular=problem.circular[columns],
        cells=problem.cells[columns],
    )


def candidates_about(
    share: float, *, seconds: float | None, evals: int | None, n_notes: int
) -> int:
    """Say how many candidates a share of a budget is; about, if the budget is a time."""
    if evals is not None:
        return round(evals * share)
    return round((seconds or 0.0) * share * USUAL_RATE / n_notes)


def step_seed(seed: int, number: int) -> int:
    """Seed of one step; no two steps of any two searches share one by being neighbours."""
    return int(np.random.SeedSequence((seed, number)).generate_state(1)[0])


def vector_names(problem: Problem) -> list[str]:
    """Name the entries of a vector: parameters, then the phases of each note."""
    return [*problem.space.names] + [
        f"note{i + 1}.phase{column}"
        for i in range(problem.n_notes)
        for column in problem.phase_columns
    ]
