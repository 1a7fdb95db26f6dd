"""The search loop: ask, evaluate, tell, until it is enough."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from matcher.optimise.box import check_number, finite_losses
from shared.errors import ParameterError

if TYPE_CHECKING:
    from collections.abc import Callable

    from matcher.optimise.samplers import Sampler
    from shared.types import FloatArray

StopReason = Literal["evaluations", "deadline", "callback", "converged"]


@dataclass(frozen=True)
class SearchResult:
    """What a search has found.

    Attributes
    ----------
    best : np.ndarray, shape=(n_dimensions,)
        Candidate with the lowest loss, in [0, 1]; the first of equal ones. The middle of the box
        while no loss was finite.
    best_loss : float
        Its loss; infinite while no loss was finite.
    n_evaluations : int >= 0
        Candidates evaluated in all.
    history : tuple of (int, float)
        Each improvement: the number of evaluations by then (1 for the first candidate) and the
        loss.
    stop_reason : {"evaluations", "deadline", "callback", "converged"} or None
        What ended the search; None while it runs.
    """

    best: FloatArray
    best_loss: float
    n_evaluations: int
    history: tuple[tuple[int, float], ...] = ()
    stop_reason: StopReason | None = None


@dataclass(frozen=True)
class BatchReport:
    """One batch, right after it was told.

    Attributes
    ----------
    candidates : np.ndarray, shape=(n_candidates, n_dimensions)
        In [0, 1].
    losses : np.ndarray, shape=(n_candidates,)
        As the objective returned them, infinite where it returned nothing finite.
    result : SearchResult
        The search so far.
    """

    candidates: FloatArray
    losses: FloatArray
    result: SearchResult


def search(
    objective: Callable[[FloatArray], FloatArray],
    sampler: Sampler,
    *,
    n_evaluations: int | None = None,
    deadline: Callable[[], bool] | None = None,
    batch: int | None = None,
    on_batch: Callable[[BatchReport], object] | None = None,
) -> SearchResult:
    """Look for the candidate with the lowest loss.

    Whatever `objective` and `on_batch` raise goes through; the sampler then waits for the batch
    that wasn't told, and what `on_batch` has saved goes on from there.

    Parameters
    ----------
    objective : callable
        Takes candidates, shape=(n_candidates, n_dimensions), and returns their losses,
        shape=(n_candidates,). A loss that isn't finite counts as the worst.
    sampler : Sampler
        Proposes the candidates; it is changed.
    n_evaluations : int >= 1, optional
        Evaluations in all. The last batch is cut to fit.
    deadline : callable, optional
        Asked before each batch; the search ends when it returns True.
    batch : int >= 1, optional
        Candidates in a batch; by default what the sampler prefers.
    on_batch : callable, optional
        Called with a `BatchReport` after each batch; the search ends when it returns True.

    Returns
    -------
    SearchResult
        The best candidate and the way there.

    Raises
    ------
    ParameterError
        If nothing could ever end the search, a number lies outside its range, or the objective
        returns another number of losses.

    Examples
    --------
    >>> import numpy as np
    >>> from matcher.optimise import make_sampler, search
    >>> sampler = make_sampler("cmaes", 2, seed=1)
    >>> result = search(lambda x: np.sum((x - 0.3) ** 2, axis=1), sampler, n_evaluations=640)
    >>> bool(np.all(np.abs(result.best - 0.3) < 0.01))
    True
    """
    _check_limits(n_evaluations, deadline, batch=batch, on_batch=on_batch)
    middle = np.full(sampler.n_dimensions, 0.5)
    result = SearchResult(best=middle, best_loss=math.inf, n_evaluations=0)
    while True:
        reason = _limit_reached(result, n_evaluations=n_evaluations, deadline=deadline)
        if reason:
            return replace(result, stop_reason=reason)
        n_candidates = batch or sampler.preferred_batch
        if n_evaluations is not None:
            n_candidates = min(n_candidates, n_evaluations - result.n_evaluations)
        candidates = sampler.ask(n_candidates)
        losses = finite_losses(objective(candidates.copy()), n_candidates)
        sampler.tell(candidates, losses)
        result = _extended(result, candidates, losses)
        report = BatchReport(candidates, losses, result)
        if on_batch is not None and on_batch(report) is True:
            return replace(result, stop_reason="callback")
        if sampler.is_converged:
            return replace(result, stop_reason="converged")


def _check_limits(
    n_evaluations: int | None,
    deadline: object,
    *,
    batch: int | None,
    on_batch: object,
) -> None:
    """Refuse a search without an end and numbers out of range."""
    if n_evaluations is None and deadline is None and on_batch is None:
        raise ParameterError(
            "the search has no end: n_evaluations, deadline or on_batch has to be given.",
            name="n_evaluations",
        )
    if n_evaluations is not None:
        check_number("n_evaluations", n_evaluations, low=1)
    if batch is not None:
        check_number("batch", batch, low=1)


def _limit_reached(
    result: SearchResult, *, n_evaluations: int | None, deadline: Callable[[], bool] | None
) -> StopReason | None:
    """Tell which limit, if any, has been reached."""
    if n_evaluations is not None and result.n_evaluations >= n_evaluations:
        return "evaluations"
    return "deadline" if deadline is not None and deadline() else None


def _extended(result: SearchResult, candidates: FloatArray, losses: FloatArray) -> SearchResult:
    """Add a batch to the result."""
    lowest = np.minimum.accumulate(np.concatenate([[result.best_loss], losses]))
    improved = np.flatnonzero(lowest[1:] < lowest[:-1])
    history = tuple(
        (result.n_evaluations + int(index) + 1, float(losses[index])) for index in improved
    )
    best = candidates[improved[-1]].copy() if len(improved) else result.best
    return SearchResult(
        best=best,
        best_loss=float(lowest[-1]),
        n_evaluations=result.n_evaluations + len(losses),
        history=result.history + history,
    )
