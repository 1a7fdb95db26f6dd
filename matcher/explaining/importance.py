"""Over the search: which parameters explain the loss, by Optuna's evaluators.

PED-ANOVA asks which parameters the good evaluations agree on, fANOVA which ones a model of the
loss varies with. Both see the search, not the patch: a parameter that was settled early, or
hardly moved, looks unimportant here although the patch may stand and fall with it.

References
----------
.. [1] S. Watanabe, A. Bansal and F. Hutter, "PED-ANOVA: Efficiently Quantifying Hyperparameter
   Importance in Arbitrary Subspaces", IJCAI 2023.
.. [2] F. Hutter, H. Hoos and K. Leyton-Brown, "An Efficient Approach for Assessing Hyperparameter
   Importance", ICML 2014 (fANOVA).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from matcher.explaining.what_mattered import Importance, SearchImportance
from matcher.optimise._quiet import quiet_optuna

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt
    import optuna
    from optuna.distributions import BaseDistribution
    from optuna.importance import BaseImportanceEvaluator

    from matcher.optimise import SearchRecord
    from shared import FloatArray

__all__ = ["DEFAULT_N_EVALUATIONS", "DEFAULT_N_FANOVA", "importances_of", "search_importance"]

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
    ("PED-ANOVA", "all evaluations"): (
        "which parameters set the best tenth of all evaluations apart from the rest"
    ),
    ("PED-ANOVA", "best quarter"): (
        "which parameters set the best evaluations apart within the best quarter, where the "
        "coarse things are right"
    ),
    ("fANOVA", "sample"): (
        "which share of the loss's variance over a sample of the evaluations a parameter explains "
        "alone, by a random forest"
    ),
}


def search_importance(
    record: SearchRecord,
    names: Sequence[str],
    *,
    n_evaluations: int = DEFAULT_N_EVALUATIONS,
    n_fanova: int = DEFAULT_N_FANOVA,
    seed: int = 0,
) -> SearchImportance:
    """Measure which parameters explain the loss over a search.

    Parameters
    ----------
    record : SearchRecord
        Every evaluation.
    names : sequence of str
        The parameters to judge; other columns (phases) are left out.
    n_evaluations : int >= 50
        How many evaluations to look at, drawn by lot if there are more.
    n_fanova : int >= 0
        Size of the sample for fANOVA, which takes long; 0 leaves it out.
    seed : int >= 0
        Seed of the samples and of the trees.

    Returns
    -------
    SearchImportance
        PED-ANOVA over all evaluations and within the best quarter, then fANOVA; no measure at
        all where the record has fewer than 50 evaluations.
    """
    from optuna.importance import FanovaImportanceEvaluator  # noqa: PLC0415  slow
    from optuna.importance import PedAnovaImportanceEvaluator as PedAnova  # noqa: PLC0415

    columns = [record.names.index(name) for name in names if name in record.names]
    rows = _sample(np.flatnonzero(np.isfinite(record.losses)), n_evaluations, seed)
    table, losses = record.candidates[rows][:, columns], record.losses[rows]
    judged = [record.names[column] for column in columns]
    if len(rows) < FEWEST_EVALUATIONS or not np.any(np.ptp(table, axis=0) > 0.0):
        return SearchImportance(len(record), ())
    found = []
    scopes = {"all evaluations": 1.0, "best quarter": QUARTER}
    evaluators = [
        PedAnova(target_quantile=BEST_RATIO * ratio, region_quantile=ratio)
        for ratio in scopes.values()
    ]
    by_scope = _all_importances(table, losses, judged, evaluators)
    for (scope, ratio), shares in zip(scopes.items(), by_scope, strict=True):
        found.append(_measure("PED-ANOVA", scope, round(ratio * len(rows)), shares))
    if n_fanova > 0:
        few = _sample(np.arange(len(rows)), n_fanova, seed)
        forest = FanovaImportanceEvaluator(seed=seed)
        shares = importances_of(table[few], losses[few], judged, forest)
        found.append(_measure("fANOVA", "sample", len(few), shares))
    return SearchImportance(len(record), tuple(found))


def importances_of(
    candidates: FloatArray,
    losses: FloatArray,
    names: Sequence[str],
    evaluator: BaseImportanceEvaluator,
) -> dict[str, float]:
    """Let one of Optuna's evaluators judge evaluations.

    Parameters
    ----------
    candidates : np.ndarray, shape=(n_evaluations, n_parameters), 0 to 1
        What was evaluated.
    losses : np.ndarray, shape=(n_evaluations,)
        Finite losses.
    names : sequence of str
        Names of the columns.
    evaluator : optuna.importance.BaseImportanceEvaluator
        Any evaluator of Optuna's.

    Returns
    -------
    dict of str to float
        Shares that add up to 1, largest first.
    """
    return _all_importances(candidates, losses, names, [evaluator])[0]


def _all_importances(
    candidates: FloatArray,
    losses: FloatArray,
    names: Sequence[str],
    evaluators: Sequence[BaseImportanceEvaluator],
) -> list[dict[str, float]]:
    """Let several evaluators judge one study: making it takes most of the time."""
    import optuna  # noqa: PLC0415  slow; only where it is needed

    # A column that never moved explains nothing, and fANOVA stumbles over it.
    moved = np.flatnonzero(np.ptp(candidates, axis=0) > 0.0)
    still = {name: 0.0 for i, name in enumerate(names) if i not in moved}
    with quiet_optuna():
        study = _study(candidates[:, moved], losses, [names[int(i)] for i in moved])
        judged = [
            optuna.importance.get_param_importances(study, evaluator=evaluator)
            for evaluator in evaluators
        ]
    return [{**{name: float(share) for name, share in found.items()}, **still} for found in judged]


def _measure(method: str, scope: str, n_seen: int, shares: dict[str, float]) -> Importance:
    """Name what was measured."""
    return Importance(method, scope, _MEANINGS[method, scope], n_seen, shares)


def _sample(places: npt.NDArray[np.intp], n_most: int, seed: int) -> npt.NDArray[np.intp]:
    """Choose places by lot, if there are too many."""
    rng = np.random.default_rng(seed)
    return np.sort(rng.permutation(places)[:n_most])


def _study(candidates: FloatArray, losses: FloatArray, names: Sequence[str]) -> optuna.Study:
    """Make a study in memory."""
    import optuna  # noqa: PLC0415
    from optuna.distributions import FloatDistribution  # noqa: PLC0415

    distributions: dict[str, BaseDistribution] = {n: FloatDistribution(0.0, 1.0) for n in names}
    study = optuna.create_study(direction="minimize")
    study.add_trials(
        [
            optuna.trial.create_trial(
                params=dict(zip(names, row, strict=True)),
                distributions=distributions,
                value=loss,
            )
            for row, loss in zip(candidates.tolist(), losses.tolist(), strict=True)
        ]
    )
    return study
