"""What another structure changes, over pairs of runs of the same target and the same seed.

The question is about these targets, not about others: each target's runs are resampled on their
own, and its mean counts as much as that of any other target. Intervals are percentile bootstrap
intervals, stretched about the estimate for few runs: the bootstrap takes the spread of a few
values for that of all, which is too small by sqrt((n - 1) / n), and has normal tails where few
values ask for Student's [1]_. `tests/benchmarks/bench_intervals.py` shows how often they hold a
known effect. Percentages are resampled as logarithms of ratios.

Whether there is a difference at all is asked with Student's t for pairs within targets, with
Satterthwaite's degrees of freedom [2]_, corrected by Holm [3]_ for the number of questions asked
against one structure: of twenty differences that aren't there, one would otherwise seem to be.

References
----------
.. [1] T. C. Hesterberg, "What teachers should know about the bootstrap", The American
   Statistician 69(4), 371-386, 2015 (narrowness bias).
.. [2] F. E. Satterthwaite, "An approximate distribution of estimates of variance components",
   Biometrics Bulletin 2(6), 110-114, 1946.
.. [3] S. Holm, "A simple sequentially rejective multiple test procedure", Scandinavian Journal
   of Statistics 6(2), 65-70, 1979.
.. [4] J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed., 1988 (d for
   pairs); small-sample correction of L. V. Hedges, Journal of Educational Statistics 6(2), 1981.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from matcher.comparing.figures import Effect, PairComparison
from matcher.comparing.outcome import TOTAL
from matcher.comparing.statistics import MEASURES
from matcher.losses import TERMS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any

    from matcher.comparing.comparison import Comparison
    from shared import FloatArray

__all__ = ["compare_pairs", "holm", "paired_effect"]

CONFIDENCE = 0.95
N_RESAMPLES = 9_999
# With many pairs, the tails need no more than this.
MANY_PAIRS = 100
N_RESAMPLES_MANY = 1_999
SEED = 20_151


def compare_pairs(comparison: Comparison) -> tuple[PairComparison, ...]:
    """Set every two structures side by side.

    Parameters
    ----------
    comparison : Comparison
        Finished runs.

    Returns
    -------
    tuple of PairComparison
        In the order of the structures; those without a common target and seed are left out.
    """
    found = []
    for first, second in itertools.combinations(comparison.structures, 2):
        strata = _strata(comparison, first, second)
        if strata:
            effects = {
                name: paired_effect(name, [a[i] for a, _ in strata], [b[i] for _, b in strata])
                for i, name in enumerate(MEASURES)
            }
            found.append(PairComparison(first, second, effects))
    return _corrected(found)


def paired_effect(
    measure: str, first: Sequence[FloatArray], second: Sequence[FloatArray]
) -> Effect:
    """Say what changes from one structure to another.

    Parameters
    ----------
    measure : str
        What is measured.
    first, second : sequence of np.ndarray, shape=(n_pairs,)
        For each target, the values of either structure in audible steps; the same place is the
        same seed.

    Returns
    -------
    Effect
        With an uncorrected `p_value`. Targets with a single pair are left out if others have
        more, as a single pair tells nothing of chance.
    """
    if any(len(a) > 1 for a in first):
        several = [i for i, a in enumerate(first) if len(a) > 1]
        first, second = [first[i] for i in several], [second[i] for i in several]
    differences = [b - a for a, b in zip(first, second, strict=True)]
    mean_first, mean_second = (float(np.mean([x.mean() for x in xs])) for xs in (first, second))
    difference = mean_second - mean_first
    every = np.concatenate(differences)
    intervals = _intervals(first, second) if all(len(d) > 1 for d in differences) else (None, None)
    return Effect(
        measure=measure,
        n_pairs=len(every),
        first=mean_first,
        second=mean_second,
        difference=difference,
        difference_interval=intervals[0],
        percent=100.0 * difference / mean_first if mean_first > 0.0 else math.nan,
        percent_interval=intervals[1],
        standardised=_standardised(every),
        share_better=float(np.mean(every < 0.0) + 0.5 * np.mean(every == 0.0)),
        p_value=_p_value(differences),
    )


def holm(p_values: Sequence[float]) -> list[float]:
    """Correct chances for the number of questions asked [3]_.

    Parameters
    ----------
    p_values : sequence of float, 0 to 1
        Chance of each difference if there were none.

    Returns
    -------
    list of float
        The same, corrected, in the same order: below 0.05, the chance that any of them is a
        mistake is below 0.05.
    """
    order = np.argsort(p_values, kind="stable")
    corrected = np.empty(len(p_values))
    highest = 0.0
    for rank, place in enumerate(order):
        highest = max(highest, min(1.0, (len(p_values) - rank) * p_values[place]))
        corrected[place] = highest
    return [float(p) for p in corrected]


def _strata(
    comparison: Comparison, first: str, second: str
) -> list[tuple[FloatArray, FloatArray]]:
    """Collect pairs target by target, shape=(n_measures, n_pairs) for either structure.

    Pairs that are the same to the bit count once: a search of a small budget may not come to what
    its seed decides, and the same run over again tells nothing of chance.
    """
    strata = []
    for target in comparison.targets:
        runs = {run.seed: run for run in comparison.of(first, target)}
        others = {run.seed: run for run in comparison.of(second, target)}
        seeds = sorted(set(runs) & set(others))
        rows = dict.fromkeys(
            tuple(each[s].measure(name) for each in (runs, others) for name in MEASURES)
            for s in seeds
        )
        if rows:
            strata.append(tuple(np.split(np.array(list(rows)).T, 2)))
    return strata  # type: ignore[return-value]


def _corrected(pairs: Sequence[PairComparison]) -> tuple[PairComparison, ...]:
    """Correct chances for the questions that are asked against the same structure.

    Losses and terms share the 5 % in halves: the loss is asked about first, and should not pay
    for its many terms.
    """
    chances: dict[tuple[str, str, str], float] = {}
    for base in dict.fromkeys(pair.first for pair in pairs):
        for measures in ((TOTAL,), TERMS):
            asked = [(p, name) for p in pairs if p.first == base for name in measures]
            corrected = holm([pair.effects[name].p_value for pair, name in asked])
            for (pair, name), p_value in zip(asked, corrected, strict=True):
                chances[base, pair.second, name] = min(1.0, 2.0 * p_value)
    return tuple(
        replace(
            pair,
            effects={
                name: replace(effect, p_value=chances[pair.first, pair.second, name])
                for name, effect in pair.effects.items()
            },
        )
        for pair in pairs
    )


def _intervals(
    first: Sequence[FloatArray], second: Sequence[FloatArray]
) -> tuple[tuple[float, float], tuple[float, float] | None]:
    """Return the bootstrap intervals of the difference and of the percentage."""
    from scipy import stats  # noqa: PLC0415  heavy

    places = tuple(np.arange(len(a)) for a in first)
    n_pairs = sum(len(a) for a in first)

    def means(values: Sequence[FloatArray], resampled: Sequence[Any]) -> FloatArray:
        each = [x[np.asarray(i)].mean(axis=-1) for x, i in zip(values, resampled, strict=True)]
        mean: FloatArray = np.mean(each, axis=0)
        return mean

    def interval(statistic: Any) -> tuple[float, float]:  # noqa: ANN401  scipy calls it with arrays
        found = stats.bootstrap(
            places,
            statistic,
            n_resamples=N_RESAMPLES if n_pairs <= MANY_PAIRS else N_RESAMPLES_MANY,
            batch=1_000,
            vectorized=True,
            paired=False,
            confidence_level=CONFIDENCE,
            method="percentile",
            rng=np.random.default_rng(SEED),
        ).confidence_interval
        estimate = float(statistic(*places))
        stretch = _stretch([len(a) for a in first])
        return (
            estimate + stretch * (float(found.low) - estimate),
            estimate + stretch * (float(found.high) - estimate),
        )

    def difference(*resampled: Any, axis: int = -1) -> FloatArray:  # noqa: ANN401
        del axis
        return means(second, resampled) - means(first, resampled)

    def log_ratio(*resampled: Any, axis: int = -1) -> FloatArray:  # noqa: ANN401
        del axis
        ratio: FloatArray = np.log(means(second, resampled) / means(first, resampled))
        return ratio

    # Where a term is zero in some runs, it may be zero in all of a resample.
    if not all(np.all(values > 0.0) for values in (*first, *second)):
        return interval(difference), None
    low, high = (100.0 * math.expm1(value) for value in interval(log_ratio))
    return interval(difference), (low, high)


def _stretch(n_pairs: Sequence[int]) -> float:
    """Return the factor by which a percentile interval is too short for few pairs [1]_."""
    from scipy import stats  # noqa: PLC0415  heavy

    n_free = sum(n_pairs) - len(n_pairs)
    smallest = min(n_pairs)
    ratio = stats.t.ppf(0.5 + 0.5 * CONFIDENCE, n_free) / stats.norm.ppf(0.5 + 0.5 * CONFIDENCE)
    return float(ratio) * math.sqrt(smallest / (smallest - 1))


def _p_value(differences: Sequence[FloatArray]) -> float:
    """Return the chance of a mean difference this far from 0 if there is none."""
    from scipy import stats  # noqa: PLC0415  heavy

    if any(len(d) < 2 for d in differences):
        return 1.0
    mean = float(np.mean([d.mean() for d in differences]))
    parts = np.array([d.var(ddof=1) / len(d) for d in differences])
    variance = float(parts.sum())
    if variance == 0.0:
        return 1.0 if mean == 0.0 else 0.0
    n_free = variance**2 / float(
        np.sum(parts**2 / (np.array([len(d) for d in differences]) - 1.0))
    )
    statistic = abs(mean) * len(differences) / math.sqrt(variance)
    return float(2.0 * stats.t.sf(statistic, n_free))


def _standardised(differences: FloatArray) -> float:
    """Return Cohen's d for pairs with Hedges' correction [4]_."""
    n_free = len(differences) - 1
    # With two pairs the correction is zero, and nothing is told.
    if n_free < 2:
        return math.nan
    spread = float(differences.std(ddof=1))
    if spread == 0.0:
        return math.nan
    return float(differences.mean()) / spread * (1.0 - 3.0 / (4.0 * n_free - 1.0))
