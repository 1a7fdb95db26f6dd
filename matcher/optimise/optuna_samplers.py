"""Optuna's samplers behind the same ask and tell, to compare with and for small budgets.

They keep a study in memory and take 0.6 to 3 ms for each candidate, TPE more and more of them,
which is why the default sampler doesn't go through a study. Optuna is imported when the first
sampler is made, and its log is silenced while it works.
"""

from __future__ import annotations

import contextlib
import warnings
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.optimise.box import Box, check_number, check_told, check_version, finite_losses
from shared.errors import ParameterError

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt
    import optuna

    from shared.types import FloatArray

_STATE_VERSION = 1

OPTUNA_NAMES = ("optuna-cmaes", "qmc", "random", "tpe")

# Measured with 25 to 30 dimensions in batches of 16 and 32, see DEVELOPERS.md.
_SLOWDOWN_NOTES = {
    name: f"{name} takes longer for each try the more of them it has seen: about {early} "
    f"at first, {late} at 5,000; the default takes less than 0.1 ms throughout."
    for name, early, late in (
        ("optuna-cmaes", "2 ms", "4 ms"),
        ("qmc", "1.3 ms", "2 ms"),
        ("tpe", "4 ms", "80 ms"),
    )
}

# Two orders above any loss of a match, for a loss that isn't finite before a finite one was seen.
_WORST_LOSS = 1e12

_REBUILT = ("random", "tpe")


@contextlib.contextmanager
def quiet_optuna() -> Iterator[None]:
    """Hold back Optuna's log and its notes on parts that may change, and set all back after."""
    import optuna  # noqa: PLC0415 (slow; only where it is used)

    verbosity = optuna.logging.get_verbosity()
    optuna.logging.set_verbosity(optuna.logging.ERROR)
    try:
        with warnings.catch_warnings():
            # QMCSampler and with_margin are experimental in Optuna 5.0; FutureWarning announces
            # that CmaEsSampler loses arguments in 6.0.
            warnings.simplefilter("ignore", optuna.exceptions.ExperimentalWarning)
            warnings.simplefilter("ignore", FutureWarning)
            yield
    finally:
        optuna.logging.set_verbosity(verbosity)


class OptunaSampler:
    """One of Optuna's samplers over the unit box.

    A tree-structured Parzen estimator, a scrambled Sobol' sequence, uniform draws, or CMA-ES (from
    the middle of the box: starts are evaluated, but don't move it). Circular dimensions are plain
    ones here: none of these samplers knows phases.
    """

    is_converged = False

    def __init__(
        self, name: str, box: Box, *, seed: int, starts: FloatArray, population: int
    ) -> None:
        self.name = name
        self._box = box
        self._seed = seed
        self._starts = box.fold(starts)
        self._population = population
        self._n_asked = 0
        self._candidates = np.empty((0, box.n_dimensions))
        self._values = np.empty(0)
        # Sizes of all asks (positive) and tells (negative) in order, for `from_state`.
        self._turns: list[int] = []
        self._distributions = _unit_distributions(box)
        with quiet_optuna():
            self._study = _new_study(self._new_engine())
            for start in self._starts:
                self._study.enqueue_trial(self._to_params(start))

    @property
    def n_dimensions(self) -> int:
        """Length of a candidate."""
        return self._box.n_dimensions

    @property
    def slowdown_note(self) -> str:
        """What is said of time that grows with the number of candidates told; empty if none."""
        return _SLOWDOWN_NOTES.get(self.name, "")

    @property
    def preferred_batch(self) -> int:
        """A generation of CMA-ES; 16 (candidates that render side by side) elsewhere."""
        return self._population if self.name == "optuna-cmaes" else 16

    def ask(self, n_candidates: int) -> FloatArray:
        """Propose candidates; see `Sampler.ask`."""
        check_number("n_candidates", n_candidates, low=1)
        with quiet_optuna():
            if self.name in _REBUILT:
                self._study.sampler = self._new_engine()
            params = [self._study.ask(self._distributions).params for _ in range(n_candidates)]
        candidates = np.array([self._to_candidate(entry) for entry in params])
        self._candidates = np.concatenate([self._candidates, candidates])
        self._n_asked += n_candidates
        self._turns.append(n_candidates)
        return candidates

    def tell(self, candidates: FloatArray, losses: npt.ArrayLike) -> None:
        """Learn the losses of candidates; see `Sampler.tell`."""
        n_before = len(self._values)
        n_told = check_told(candidates, self._candidates[n_before:])
        values = finite_losses(losses, n_told)
        seen = np.concatenate([self._values, values[np.isfinite(values)]])
        worst = seen.max() if len(seen) else _WORST_LOSS
        self._tell_values(np.where(np.isfinite(values), values, worst))

    def state(self) -> dict[str, Any]:
        """Return what was asked and told, and the seed; see `Sampler.state`."""
        return {
            "sampler": self.name,
            "version": _STATE_VERSION,
            "circular": self._box.circular.copy(),
            "cells": self._box.cells.copy(),
            "seed": self._seed,
            "starts": self._starts.copy(),
            "population": self._population,
            "candidates": self._candidates.copy(),
            "values": self._values.copy(),
            "turns": np.array(self._turns, dtype=np.int64),
        }

    @classmethod
    def from_state(cls, state: dict[str, Any]) -> OptunaSampler:
        """Make the sampler that `state` describes.

        ``"tpe"`` and ``"random"`` get their trials back as they were told, in a fraction of a
        millisecond each. ``"qmc"`` and ``"optuna-cmaes"`` keep their state inside Optuna, where
        it can't be read or set; they are asked and told everything again, which takes as long as
        the first time without the evaluations.
        """
        check_version(state, _STATE_VERSION)
        sampler = cls(
            state["sampler"],
            Box(circular=np.array(state["circular"]), cells=np.array(state["cells"])),
            seed=state["seed"],
            starts=np.array(state["starts"]),
            population=state["population"],
        )
        if sampler.name in _REBUILT:
            sampler._rebuild(state)
        else:
            sampler._replay(state)
        return sampler

    def _new_engine(self) -> optuna.samplers.BaseSampler:
        """Make Optuna's sampler.

        Those that are rebuilt get a new one for each batch, seeded by its place: so they depend
        on what was told and not on how they got there.
        """
        import optuna  # noqa: PLC0415 (slow; only where one of its samplers is wanted)

        if self.name == "qmc":
            return optuna.samplers.QMCSampler(scramble=True, seed=self._seed)
        if self.name == "optuna-cmaes":
            return optuna.samplers.CmaEsSampler(
                seed=self._seed,
                popsize=self._population,
                with_margin=bool(np.any(self._box.cells > 1)),
                warn_independent_sampling=False,
            )
        sequence = np.random.SeedSequence([self._seed, self._n_asked])
        seed = int(sequence.generate_state(1)[0])
        if self.name == "tpe":
            return optuna.samplers.TPESampler(seed=seed)
        return optuna.samplers.RandomSampler(seed=seed)

    def _tell_values(self, values: FloatArray) -> None:
        """Tell finite values to the study, for the candidates that come next."""
        n_before = len(self._values)
        with quiet_optuna():
            for index, value in enumerate(values):
                self._study.tell(n_before + index, float(value))
        self._values = np.concatenate([self._values, values])
        self._turns.append(-len(values))

    def _rebuild(self, state: dict[str, Any]) -> None:
        """Give the study the trials of a saved search."""
        import optuna  # noqa: PLC0415 (see _new_engine)

        candidates, values = np.array(state["candidates"]), np.array(state["values"])
        self._n_asked = len(candidates)
        self._candidates, self._values = candidates, values
        self._turns = [int(turn) for turn in state["turns"]]
        running, complete = optuna.trial.TrialState.RUNNING, optuna.trial.TrialState.COMPLETE
        with quiet_optuna():
            self._study = _new_study(self._new_engine())
            for index, candidate in enumerate(candidates):
                is_told = index < len(values)
                self._study.add_trial(
                    optuna.trial.create_trial(
                        state=complete if is_told else running,
                        value=float(values[index]) if is_told else None,
                        params=self._to_params(candidate),
                        distributions=self._distributions,
                    )
                )
            for start in self._starts[len(candidates) :]:
                self._study.enqueue_trial(self._to_params(start))

    def _replay(self, state: dict[str, Any]) -> None:
        """Ask and tell everything of a saved search again."""
        for turn in state["turns"]:
            if turn > 0:
                self.ask(int(turn))
            else:
                n_before = len(self._values)
                self._tell_values(np.array(state["values"])[n_before : n_before - int(turn)])
        if not np.array_equal(self._candidates, state["candidates"]):
            raise ParameterError(
                f"the installed Optuna proposes other candidates for {self.name} than the one "
                "that this search began with. Install that version (run.json names it), or "
                "start the search anew.",
                name="sampler",
            )

    def _to_params(self, candidate: FloatArray) -> dict[str, float | int]:
        """Turn a candidate into Optuna's parameters."""
        cells = self._box.cells
        return {
            f"x{i}": min(int(value * cells[i]), int(cells[i]) - 1) if cells[i] else float(value)
            for i, value in enumerate(candidate)
        }

    def _to_candidate(self, params: dict[str, Any]) -> FloatArray:
        """Turn Optuna's parameters into a candidate."""
        values = np.array([params[f"x{i}"] for i in range(self.n_dimensions)], dtype=np.float64)
        stepped = self._box.cells > 0
        values[stepped] = (values[stepped] + 0.5) / self._box.cells[stepped]
        return values


def _unit_distributions(box: Box) -> dict[str, optuna.distributions.BaseDistribution]:
    """Describe the unit box to Optuna: a float for each dimension, or the number of a cell."""
    from optuna.distributions import (  # noqa: PLC0415 (see _new_engine)
        FloatDistribution,
        IntDistribution,
    )

    return {
        f"x{i}": IntDistribution(0, int(n_cells) - 1) if n_cells else FloatDistribution(0.0, 1.0)
        for i, n_cells in enumerate(box.cells)
    }


def _new_study(engine: optuna.samplers.BaseSampler) -> optuna.Study:
    """Make a study in memory."""
    import optuna  # noqa: PLC0415 (see _new_engine)

    return optuna.create_study(sampler=engine, direction="minimize")
