"""The search loop: ask, evaluate, tell, until it is enough."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from matcher.optimise.box import finite_losses

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
    stop_reason : {"evaluations", "deadline", "callback", "converged"} or None
        What ended the search; None while it runs.
    """

    best: FloatArray
    best_loss: float
    n_evaluations: int
    stop_reason: StopReason | None = None


def search(
    objective: Callable[[FloatArray], FloatArray],
    sampler: Sampler,
    *,
    n_evaluations: int | None = None,
    deadline: Callable[[], bool] | None = None,
    on_batch: Callable[[FloatArray, FloatArray], object] | None = None,
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
    on_batch : callable, optional
        Called with candidates and losses after each batch, right after they were told; the search
        ends when it returns True.

    Returns
    -------
    SearchResult
        The best candidate.

    Raises
    ------
    ParameterError
        If the objective returns another number of losses.

    Examples
    --------
    >>> import numpy as np
    >>> from matcher.optimise import make_sampler, search
    >>> sampler = make_sampler("cmaes", 2, seed=1)
    >>> result = search(lambda x: np.sum((x - 0.3) ** 2, axis=1), sampler, n_evaluations=640)
    >>> bool(np.all(np.abs(result.best - 0.3) < 0.01))
    True
    """
    middle = np.full(sampler.n_dimensions, 0.5)
    result = SearchResult(best=middle, best_loss=math.inf, n_evaluations=0)
    while True:
        reason = _limit_reached(result, n_evaluations=n_evaluations, deadline=deadline)
        if reason:
            return replace(result, stop_reason=reason)
        n_candidates = sampler.preferred_batch
        if n_evaluations is not None:
            n_candidates = min(n_candidates, n_evaluations - result.n_evaluations)
        candidates = sampler.ask(n_candidates)
        losses = finite_losses(objective(candidates.copy()), n_candidates)
        sampler.tell(candidates, losses)
        result = _extended(result, candidates, losses)
        if on_batch is not None and on_batch(candidates, losses) is True:
            return replace(result, stop_reason="callback")
        if sampler.is_converged:
            return replace(result, stop_reason="converged")


def _limit_reached(
    result: SearchResult, *, n_evaluations: int | None, deadline: Callable[[], bool] | None
) -> StopReason | None:
    """Tell which limit, if any, has been reached."""
    if n_evaluations is not None and result.n_evaluations >= n_evaluations:
        return "evaluations"
    return "deadline" if deadline is not None and deadline() else None


def _extended(result: SearchResult, candidates: FloatArray, losses: FloatArray) -> SearchResult:
    """Add a batch to the result; of equal losses the first stays."""
    place = int(np.argmin(losses))
    is_better = losses[place] < result.best_loss
    return SearchResult(
        best=candidates[place].copy() if is_better else result.best,
        best_loss=float(losses[place]) if is_better else result.best_loss,
        n_evaluations=result.n_evaluations + len(losses),
    )
