"""Which controls act jointly: Sobol indices of the loss in a box around the patch.

The first-order index is the share of the variance that a control explains alone, the total index
the share in which it has a part at all; what lies between the two is joint with others [1]_.

References
----------
.. [1] A. Saltelli et al., "Variance based sensitivity analysis of model output. Design and
   estimator for the total sensitivity index", Computer Physics Communications 181, 2010.
"""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.explaining._switches import part_title
from matcher.explaining.what_mattered import Interactions
from matcher.parts import parameter_label

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matcher.explaining._ground import Ground
    from matcher.explaining.what_mattered import PartEffect
    from shared import FloatArray

__all__ = ["MOST_CONTROLS", "find_interactions", "sobol_shares"]

MOST_CONTROLS = 6
# To either side, as a share of each range.
BOX_RATIO = 0.05
# scipy wants a power of two; this one needs 512 candidates for six controls.
N_POINTS = 64
# With fewer, the indices scatter more than they tell.
_FEWEST_POINTS = 16
_TRIAL = 32
# Below this, the difference of both indices is within their scatter at so few points.
LEAST_JOINT = 0.1


def find_interactions(
    ground: Ground,
    effects: Sequence[PartEffect],
    *,
    seconds: float = math.inf,
    seed: int = 0,
    n_points: int = N_POINTS,
) -> Interactions | None:
    """Measure which controls act jointly.

    Parameters
    ----------
    ground : Ground
        The patch with its target.
    effects : sequence of PartEffect
        What the parts bring, the largest first; the controls that switch the first ones are
        looked at.
    seed : int >= 0
        Seed of the points.
    n_points : int
        A power of two.
    seconds : float
        Time to spend in s; fewer points are looked at if it is short.

    Returns
    -------
    Interactions or None
        None where fewer than two controls can be moved, or time is too short.
    """
    names = _controls(ground, effects)
    if len(names) < 2:
        return None
    space = ground.problem.space
    columns = np.array([space.index(name) for name in names])
    low = np.maximum(ground.vector[columns] - BOX_RATIO, 0.0)
    high = np.minimum(ground.vector[columns] + BOX_RATIO, 1.0)

    def losses(points: FloatArray) -> FloatArray:
        vectors = np.tile(ground.vector, (len(points), 1))
        vectors[:, columns] = np.clip(low + points * (high - low), 0.0, 1.0)
        return ground.evaluator.losses(vectors)

    began = time.perf_counter()
    losses(np.full((_TRIAL, len(names)), 0.5))
    each_s = (time.perf_counter() - began) / _TRIAL
    while n_points * (len(names) + 2) * each_s > seconds:
        n_points //= 2
    if n_points < _FEWEST_POINTS:
        return None
    first, total = sobol_shares(losses, len(names), n_points=n_points, seed=seed)
    firsts, totals = (dict(zip(names, x.tolist(), strict=True)) for x in (first, total))
    return Interactions(
        names=tuple(names),
        low={n: space[n].decode(float(x)) for n, x in zip(names, low, strict=True)},
        high={n: space[n].decode(float(x)) for n, x in zip(names, high, strict=True)},
        first=firsts,
        total=totals,
        n_evaluations=n_points * (len(names) + 2),
        sentences=_sentences(firsts, totals),
    )


def sobol_shares(
    function: Callable[[FloatArray], FloatArray], n_inputs: int, *, n_points: int, seed: int
) -> tuple[FloatArray, FloatArray]:
    """Estimate Sobol indices of a function of independent uniform inputs.

    Parameters
    ----------
    function : callable
        From points in [0, 1], shape (n, n_inputs), to values, shape (n,).
    n_inputs : int >= 2
        Number of inputs.
    n_points : int
        A power of two; ``n_points * (n_inputs + 2)`` points are looked at.
    seed : int >= 0
        Seed of the scrambled Sobol sequence.

    Returns
    -------
    first, total : np.ndarray, shape=(n_inputs,)
        First-order and total indices.
    """
    from scipy import stats  # noqa: PLC0415  slow; only where it is needed

    # scipy-stubs don't take scipy's own frozen distributions here.
    uniform: Any = [stats.uniform()] * n_inputs
    result = stats.sobol_indices(
        func=lambda points: function(points.T),
        n=n_points,
        dists=uniform,
        rng=seed,
    )
    return np.asarray(result.first_order), np.asarray(result.total_order)


def _controls(ground: Ground, effects: Sequence[PartEffect]) -> list[str]:
    """Choose the controls that switch the parts that are missed most."""
    space, links = ground.problem.space, ground.problem.structure.links
    names: list[str] = []
    for effect in effects:
        for name in effect.neutral if effect.is_there else ():
            source = links.get(name, name)
            if source not in space or source in names or source not in ground.used:
                continue
            if not ground.n_positions(space.index(source)):
                names.append(source)
    return names[:MOST_CONTROLS]


def _sentences(first: dict[str, float], total: dict[str, float]) -> tuple[str, ...]:
    """Say what acts jointly."""
    joint = {name: total[name] - first[name] for name in first}
    names = sorted((n for n in joint if joint[n] >= LEAST_JOINT), key=lambda n: -joint[n])
    if not names:
        return ("Each of these controls acts for itself.",)
    return tuple(
        f"{part_title(name)}, {parameter_label(name)}: {100.0 * max(first[name], 0.0):.0f} % of "
        f"what changes around the patch is its own, {100.0 * joint[name]:.0f} % is joint with "
        "other controls: set it again when they are moved."
        for name in names
    )
