"""How long walks go on: each part of a search gives them another share of the candidates.

The figures were chosen together, on known notes and a few recorded ones; none was tried by itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matcher.optimise.gauss_newton import LocalSearch

__all__ = ["has_had_its_share", "is_worth_widening"]

# Steps of each walk before the worse half is given up.
ROUND_STEPS = 3
MOST_STEPS = 25
# From there on, a step brings so little (share of the loss) that jumps promise more.
SLOW_GAIN = 0.01
# After a jump, so many steps fit what belongs to it. It is given up if it is this much worse than
# the best point after so many of them; then everything is fitted, in so many steps at most, and it
# is given up for the same reason. Where everything belongs to it, it has more time.
NARROW_STEPS, HOP_STEPS = 4, 14
GIVE_UP_NARROW = ((1, 1.25), (2, 1.08), (3, 1.02), (4, 1.0))
GIVE_UP_WIDENED = ((2, 1.005), (4, 1.0))
GIVE_UP = ((3, 1.35), (6, 1.12), (10, 1.04))


def has_had_its_share(walk: LocalSearch, part: str, *, i_round: int, best_loss: float) -> bool:
    """Say whether a walk ends here, or goes on with everything free.

    Parameters
    ----------
    walk : LocalSearch
        The walk.
    part : str
        "starts", "finals" or "hops".
    i_round : int >= 0
        How often the worse half of the starts was given up.
    best_loss : float
        Loss of the best point, for walks after a jump.
    """
    if part == "starts":
        return walk.is_over or walk.n_steps >= ROUND_STEPS * (i_round + 1)
    is_slow = walk.is_over or walk.gain < SLOW_GAIN
    if part == "finals":
        return is_slow or walk.n_steps >= MOST_STEPS
    if walk.is_narrow:
        is_behind = _is_behind(walk, best_loss, GIVE_UP_NARROW)
        return is_behind or walk.is_over or walk.n_steps >= NARROW_STEPS
    limits = GIVE_UP_WIDENED if walk.was_narrow else GIVE_UP
    return is_slow or walk.n_steps >= HOP_STEPS or _is_behind(walk, best_loss, limits)


def is_worth_widening(walk: LocalSearch, best_loss: float) -> bool:
    """Say whether a walk that has fitted what belongs to a jump may move everything now."""
    return walk.is_narrow and not _is_behind(walk, best_loss, GIVE_UP_NARROW)


def _is_behind(walk: LocalSearch, best_loss: float, limits: tuple[tuple[int, float], ...]) -> bool:
    """Whether a walk is too much worse than the best point for the steps that it has had."""
    return any(walk.n_steps == n and walk.loss > ratio * best_loss for n, ratio in limits)
