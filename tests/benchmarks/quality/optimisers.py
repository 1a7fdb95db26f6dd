"""Other optimisers, each given the evaluation function that earwright searches with.

Every function minimises until the deadline, remembers the best vector it was told, and stops at
its next evaluation after that. Batches are as large as each optimiser likes them, so that all of
them use both cores where they can.
"""

from __future__ import annotations

import time
import warnings
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import differential_evolution

from matcher.optimise import make_sampler

if TYPE_CHECKING:
    from collections.abc import Callable

    from matcher.evaluator import Evaluator
    from shared import FloatArray

__all__ = ["OPTIMISERS", "TimeIsUpError", "TimedObjective"]

BATCH = 32


class TimeIsUpError(Exception):
    """The deadline has passed."""


@dataclass
class TimedObjective:
    """Counts, remembers the best, and ends an optimiser by raising at the deadline.

    Attributes
    ----------
    evaluator : Evaluator
        Renders and scores.
    seconds : float
        Time from the first call on.
    best : np.ndarray, shape=(n_dimensions,)
        The best vector so far.
    best_loss : float
        Its loss.
    n_evaluations : int
        Vectors scored.
    course : list of (float, float)
        Seconds since the first call, and the loss, of each improvement.
    """

    evaluator: Evaluator
    seconds: float
    best: FloatArray = field(init=False)
    best_loss: float = np.inf
    n_evaluations: int = 0
    course: list[tuple[float, float]] = field(default_factory=list)
    _deadline: float | None = None

    def __post_init__(self) -> None:
        """Begin in the middle."""
        self.best = np.full(self.evaluator.problem.n_dimensions, 0.5)

    def __call__(self, vectors: FloatArray) -> FloatArray:
        """Score vectors, shape (n_candidates, n_dimensions), held to the box."""
        now = time.monotonic()
        self._deadline = self._deadline or now + self.seconds
        if now >= self._deadline:
            raise TimeIsUpError
        held = np.clip(np.atleast_2d(vectors), 0.0, 1.0)
        losses = self.evaluator.losses(held)
        self.n_evaluations += len(losses)
        lowest = int(np.argmin(losses))
        if losses[lowest] < self.best_loss:
            self.best, self.best_loss = held[lowest].copy(), float(losses[lowest])
            spent_s = time.monotonic() - self._deadline + self.seconds
            self.course.append((spent_s, self.best_loss))
        return losses


def _random(objective: TimedObjective, seed: int) -> None:
    """Draw evenly from the box."""
    rng = np.random.default_rng(seed)
    while True:
        objective(rng.random((BATCH, len(objective.best))))


def _differential_evolution(objective: TimedObjective, seed: int) -> None:
    """Run scipy.optimize.differential_evolution, its defaults, whole generations at once."""
    bounds = [(0.0, 1.0)] * len(objective.best)
    differential_evolution(
        lambda x: objective(x.T),
        bounds,
        seed=seed,
        maxiter=10**9,
        popsize=max(1, round(4 * BATCH / len(bounds))),
        tol=0.0,
        updating="deferred",
        vectorized=True,
        polish=False,
    )


def _cma(objective: TimedObjective, seed: int) -> None:
    """Run the package cma, restarted with a doubled population when it has converged."""
    import cma  # noqa: PLC0415  optional

    population = BATCH
    for restart in range(10**6):
        rng = np.random.default_rng([seed, restart])
        start = rng.random(len(objective.best)) if restart else np.full(len(objective.best), 0.5)
        options = {
            "bounds": [0.0, 1.0],
            "popsize": population,
            "seed": seed + restart + 1,
            "verbose": -9,
        }
        strategy = cma.CMAEvolutionStrategy(start, 0.2, options)
        while not strategy.stop():
            vectors = strategy.ask()
            strategy.tell(vectors, objective(np.array(vectors)).tolist())
        population = min(2 * population, 16 * BATCH)


def _ngopt(objective: TimedObjective, seed: int) -> None:
    """Run NGOpt of nevergrad, told a budget that it won't reach before the deadline."""
    import nevergrad  # noqa: PLC0415  optional

    array = nevergrad.p.Array(init=np.full(len(objective.best), 0.5))
    array.set_bounds(0.0, 1.0)
    array.random_state.seed(seed)
    budget = max(2000, round(700 * objective.seconds))
    optimiser = nevergrad.optimizers.NGOpt(array, budget=budget, num_workers=BATCH)
    while True:
        asked = [optimiser.ask() for _ in range(BATCH)]
        losses = objective(np.array([candidate.value for candidate in asked]))
        for candidate, loss in zip(asked, losses, strict=True):
            optimiser.tell(candidate, float(loss))


def _tpe(objective: TimedObjective, seed: int) -> None:
    """Optuna's TPE through our own ask and tell."""
    problem = objective.evaluator.problem
    sampler = make_sampler("tpe", problem.n_dimensions, seed=seed, cells=problem.cells)
    while True:
        vectors = sampler.ask(BATCH)
        sampler.tell(vectors, objective(vectors))


def _quiet(run: Callable[[TimedObjective, int], None]) -> Callable[[TimedObjective, int], None]:
    """Let an optimiser run to the deadline without its warnings."""

    def run_quietly(objective: TimedObjective, seed: int) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                run(objective, seed)
            except TimeIsUpError:
                return

    return run_quietly


OPTIMISERS: dict[str, Callable[[TimedObjective, int], None]] = {
    "random search": _quiet(_random),
    "differential evolution (scipy)": _quiet(_differential_evolution),
    "cma": _quiet(_cma),
    "NGOpt (nevergrad)": _quiet(_ngopt),
    "TPE (optuna)": _quiet(_tpe),
}
