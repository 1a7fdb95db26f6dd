"""Which parameters matter over the search, and which ones act jointly around the patch.

Over the search Optuna's evaluators are asked: PED-ANOVA, which parameters the good evaluations
agree on [1]_, fANOVA, which ones a model of the loss varies with [2]_. Both see the search, not
the patch: a parameter that was settled early, or hardly moved, looks unimportant here although
the patch may depend on it wholly.

Around the patch there are Sobol indices of the loss in a box: the first-order index is the share
of the variance that a control explains alone, the total index the share in which it has a part at
all; what lies between the two is joint with others [3]_.

References
----------
.. [1] S. Watanabe, A. Bansal and F. Hutter, "PED-ANOVA: Efficiently Quantifying Hyperparameter
   Importance in Arbitrary Subspaces", IJCAI 2023.
.. [2] F. Hutter, H. Hoos and K. Leyton-Brown, "An Efficient Approach for Assessing Hyperparameter
   Importance", ICML 2014 (fANOVA).
.. [3] A. Saltelli et al., "Variance based sensitivity analysis of model output. Design and
   estimator for the total sensitivity index", Computer Physics Communications 181, 2010.
"""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING, Any

import numpy as np

from matcher.explaining.model import Importance, Interactions, SearchImportance
from matcher.explaining.patch_parts import part_title
from matcher.optimise import quiet_optuna
from matcher.parts import parameter_label

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from optuna.importance import BaseImportanceEvaluator

    from matcher.explaining.model import PartEffect
    from matcher.explaining.prepared_run import PreparedRun
    from matcher.optimise import SearchRecord
    from shared import FloatArray
    from shared.types import IntArray

__all__ = [
    "DEFAULT_N_EVALUATIONS",
    "DEFAULT_N_FANOVA",
    "MOST_CONTROLS",
    "find_interactions",
    "importances_of",
    "search_importance",
    "sobol_shares",
]

# What decides whether an evaluation is a good one: Optuna's own default of PED-ANOVA.
BEST_RATIO = 0.1
QUARTER = 0.25
# PED-ANOVA wants at least five evaluations among the best ones.
FEWEST_EVALUATIONS = 50
# Half a millisecond each in 50 dimensions, most of which goes into making a trial of it.
DEFAULT_N_EVALUATIONS = 4000
# 64 trees on 200 evaluations of 20 parameters take two seconds, on 400 six.
DEFAULT_N_FANOVA = 200

_MEANINGS = {
    "all evaluations": ("which parameters set the best tenth of all tries apart from the rest"),
    "best quarter": (
        "which parameters set the best tries apart within the best quarter, where the "
        "coarse things are right"
    ),
    "sample": (
        "which share of the distance's variance over a sample of the tries a parameter explains "
        "alone, by a random forest"
    ),
}
MOST_CONTROLS = 6
# To either side, as a share of each range.
BOX_RATIO = 0.05
# scipy wants a power of two; this one needs 512 candidates for six controls. With fewer than the
# fewest, the indices scatter more than they say.
N_POINTS, FEWEST_POINTS = 64, 16
_N_TIMED = 32
# Below this, the difference of both indices is within their scatter at so few points.
LEAST_JOINT = 0.1


def search_importance(
    record: SearchRecord,
    names: Sequence[str],
    *,
    n_evaluations: int = DEFAULT_N_EVALUATIONS,
    n_fanova: int = DEFAULT_N_FANOVA,
    seed: int = 0,
) -> SearchImportance:
    """Measure which of some parameters explain the loss over a search.

    At most `n_evaluations` are looked at, drawn by lot; fANOVA, which takes long, sees `n_fanova`
    of them, or is left out if that is 0. A record of fewer than 50 evaluations gives no measure.
    """
    from optuna.importance import FanovaImportanceEvaluator  # noqa: PLC0415  slow
    from optuna.importance import PedAnovaImportanceEvaluator as PedAnova  # noqa: PLC0415

    columns = [record.names.index(name) for name in names if name in record.names]
    rows = _sample(np.flatnonzero(np.isfinite(record.losses)), n_evaluations, seed)
    table, losses = record.candidates[rows][:, columns], record.losses[rows]
    judged = [record.names[column] for column in columns]
    if len(rows) < FEWEST_EVALUATIONS or not np.any(np.ptp(table, axis=0) > 0.0):
        return SearchImportance(len(record), ())
    scopes = {"all evaluations": 1.0, "best quarter": QUARTER}
    evaluators = [
        PedAnova(target_quantile=BEST_RATIO * ratio, region_quantile=ratio)
        for ratio in scopes.values()
    ]
    by_scope = importances_of(table, losses, judged, *evaluators)
    found = [
        Importance("PED-ANOVA", scope, _MEANINGS[scope], round(ratio * len(rows)), shares)
        for (scope, ratio), shares in zip(scopes.items(), by_scope, strict=True)
    ]
    if n_fanova > 0:
        few = _sample(np.arange(len(rows)), n_fanova, seed)
        forest = FanovaImportanceEvaluator(seed=seed)
        shares = importances_of(table[few], losses[few], judged, forest)[0]
        found.append(Importance("fANOVA", "sample", _MEANINGS["sample"], len(few), shares))
    return SearchImportance(len(record), tuple(found))


def importances_of(
    candidates: FloatArray,
    losses: FloatArray,
    names: Sequence[str],
    *evaluators: BaseImportanceEvaluator,
) -> list[dict[str, float]]:
    """Let evaluators of Optuna's judge candidates, one column for each name.

    Each gives shares that add up to 1. One study serves all: making it takes most of the time.
    """
    import optuna  # noqa: PLC0415  slow; only where it is needed

    # A column that never moved explains nothing, and fANOVA stumbles over it.
    moved = np.flatnonzero(np.ptp(candidates, axis=0) > 0.0)
    still = {name: 0.0 for i, name in enumerate(names) if i not in moved}
    moving = [names[int(i)] for i in moved]
    uniform = {name: optuna.distributions.FloatDistribution(0.0, 1.0) for name in moving}
    with quiet_optuna():
        study = optuna.create_study(direction="minimize")
        study.add_trials(
            [
                optuna.trial.create_trial(
                    params=dict(zip(moving, row, strict=True)),
                    distributions=dict(uniform),
                    value=loss,
                )
                for row, loss in zip(candidates[:, moved].tolist(), losses.tolist(), strict=True)
            ]
        )
        judged = [
            optuna.importance.get_param_importances(study, evaluator=evaluator)
            for evaluator in evaluators
        ]
    return [{**{name: float(share) for name, share in found.items()}, **still} for found in judged]


def _sample(rows: IntArray, n_most: int, seed: int) -> IntArray:
    """Draw rows by lot, if there are too many."""
    return np.sort(np.random.default_rng(seed).permutation(rows)[:n_most])


def find_interactions(
    prepared: PreparedRun,
    effects: Sequence[PartEffect],
    *,
    seconds: float = math.inf,
    seed: int = 0,
    n_points: int = N_POINTS,
) -> Interactions | None:
    """Measure which of the controls act jointly that switch the parts which are missed most.

    `n_points` is a power of two; fewer are looked at if the time is short. None where fewer than
    two controls can be moved, or time is too short for any.
    """
    names = _controls(prepared, effects)
    if len(names) < 2:
        return None
    space = prepared.problem.space
    columns = np.array([space.index(name) for name in names])
    low = np.maximum(prepared.vector[columns] - BOX_RATIO, 0.0)
    high = np.minimum(prepared.vector[columns] + BOX_RATIO, 1.0)

    def losses(points: FloatArray) -> FloatArray:
        vectors = np.tile(prepared.vector, (len(points), 1))
        vectors[:, columns] = np.clip(low + points * (high - low), 0.0, 1.0)
        return prepared.evaluator.losses(vectors)

    began = time.perf_counter()
    losses(np.full((_N_TIMED, len(names)), 0.5))
    each_s = (time.perf_counter() - began) / _N_TIMED
    while n_points * (len(names) + 2) * each_s > seconds:
        n_points //= 2
    if n_points < FEWEST_POINTS:
        return None
    first, total = sobol_shares(losses, len(names), n_points=n_points, seed=seed)
    firsts, totals = (dict(zip(names, x.tolist(), strict=True)) for x in (first, total))
    return Interactions(first=firsts, total=totals, sentences=_sentences(firsts, totals))


def sobol_shares(
    function: Callable[[FloatArray], FloatArray], n_inputs: int, *, n_points: int, seed: int
) -> tuple[FloatArray, FloatArray]:
    """Estimate first-order and total Sobol indices of a function of uniform inputs in [0, 1].

    It is handed ``n_points * (n_inputs + 2)`` points as rows, `n_points` being a power of two.
    """
    from scipy import stats  # noqa: PLC0415  slow; only where it is needed

    # scipy-stubs don't take scipy's own frozen distributions here.
    uniform: Any = [stats.uniform()] * n_inputs
    result = stats.sobol_indices(
        func=lambda points: function(points.T), n=n_points, dists=uniform, rng=seed
    )
    return np.asarray(result.first_order), np.asarray(result.total_order)


def _controls(prepared: PreparedRun, effects: Sequence[PartEffect]) -> list[str]:
    """Choose the controls that switch the parts that are missed most."""
    space, links = prepared.problem.space, prepared.problem.structure.links
    names: list[str] = []
    for effect in effects:
        for name in effect.neutral if effect.is_there else ():
            source = links.get(name, name)
            if source not in space or source in names or source not in prepared.used:
                continue
            if not prepared.n_positions(space.index(source)):
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
