"""What another structure changes, over pairs of runs of the same target and the same seed.

The question is about these targets, not about others: each target's runs are resampled on their
own, and its mean counts as much as that of any other target. Intervals are percentile bootstrap
intervals, stretched about the estimate for few runs: the bootstrap takes the spread of a few
values for that of all, which is too small by sqrt((n - 1) / n), and has normal tails where few
values ask for Student's [1]_. `tests/matcher/comparing/test_effects.py` counts how often they
hold a known effect. Percentages are resampled as logarithms of ratios.

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
from collections.abc import Mapping  # noqa: TC003  dataclass fields are resolved in tests
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from matcher.comparing.outcome import MEASURES, TOTAL
from matcher.losses import TERMS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any

    from matcher.comparing.outcome import FinishedRuns
    from shared import FloatArray

__all__ = [
    "Effect",
    "PairComparison",
    "compare_pairs",
    "correct_for_questions",
    "holm",
    "paired_effect",
    "paired_p_value",
]

CONFIDENCE = 0.95
N_RESAMPLES = 9_999
# With many pairs, the tails need no more than this.
MANY_PAIRS = 100
N_RESAMPLES_MANY = 1_999
SEED = 20_151


@dataclass(frozen=True)
class Effect:
    """What another structure does to one measure, over pairs of the same target and seed.

    Parameters
    ----------
    measure : str
        "total" or a loss term.
    n_pairs : int >= 1
        Pairs of runs.
    first, second : float
        Mean with either structure, in audible steps.
    difference : float
        Second minus first; below zero, the second is better.
    difference_interval : tuple of (float, float) or None
        Bootstrap interval, 95 %; None where no target has two pairs.
    percent : float
        The difference in percent of the first; NaN if that is 0.
    percent_interval : tuple of (float, float) or None
        Bootstrap interval of the same.
    standardised : float
        Mean of the differences over their standard deviation (Cohen's d for pairs), corrected
        for few pairs; NaN where it isn't known.
    share_better : float, 0 to 1
        Share of pairs in which the second is better; equal ones count half.
    p_value : float, 0 to 1
        Chance of a difference this clear if there were none, corrected for the number of
        questions asked against the first structure; 1 where it isn't known.
    """

    measure: str
    n_pairs: int
    first: float
    second: float
    difference: float
    difference_interval: tuple[float, float] | None
    percent: float
    percent_interval: tuple[float, float] | None
    standardised: float
    share_better: float
    p_value: float

    @property
    def is_clear(self) -> bool:
        """Whether the runs show a difference at all."""
        return self.p_value < 0.05 and self._nearest > 0.0

    @property
    def is_audible(self) -> bool:
        """Whether the runs show that the difference makes one audible step or more."""
        return self.is_clear and self._nearest >= 1.0

    @property
    def is_inaudible(self) -> bool:
        """Whether the runs show that the difference, if any, is below one audible step."""
        interval = self.difference_interval
        return interval is not None and max(abs(end) for end in interval) < 1.0

    @property
    def _nearest(self) -> float:
        """The smallest difference that the interval allows, without its sign."""
        low, high = self.difference_interval or (0.0, 0.0)
        return max(low, -high, 0.0)


@dataclass(frozen=True)
class PairComparison:
    """Two structures side by side.

    Parameters
    ----------
    first, second : str
        Their names.
    effects : mapping of str to Effect
        By measure: "total", then the terms.
    """

    first: str
    second: str
    effects: Mapping[str, Effect]


def compare_pairs(finished: FinishedRuns) -> tuple[PairComparison, ...]:
    """Set every two structures side by side; those without a common target and seed are left out.

    They come in the order of the structures.
    """
    found = []
    for first, second in itertools.combinations(finished.structures, 2):
        strata = _strata(finished, first, second)
        if strata:
            effects = {
                name: paired_effect(name, [a[i] for a, _ in strata], [b[i] for _, b in strata])
                for i, name in enumerate(MEASURES)
            }
            found.append(PairComparison(first, second, effects))
    return correct_for_questions(found)


def paired_effect(
    measure: str, first: Sequence[FloatArray], second: Sequence[FloatArray]
) -> Effect:
    """Say what changes from one structure to another, with an uncorrected `p_value`.

    `first` and `second` have for each target the values of either structure, in the same order of
    seeds. Targets with a single pair, which says nothing of chance, are left out if others have
    more.
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
        p_value=paired_p_value(differences),
    )


def holm(p_values: Sequence[float]) -> list[float]:
    """Correct chances for the number of questions asked [3]_, in the order given.

    Below 0.05, the chance that any of them is a mistake is below 0.05.
    """
    order = np.argsort(p_values, kind="stable")
    corrected = np.empty(len(p_values))
    highest = 0.0
    for rank, index in enumerate(order):
        highest = max(highest, min(1.0, (len(p_values) - rank) * p_values[index]))
        corrected[index] = highest
    return [float(p) for p in corrected]


def _strata(
    finished: FinishedRuns, first: str, second: str
) -> list[tuple[FloatArray, FloatArray]]:
    """Collect pairs target by target, shape=(n_measures, n_pairs) for either structure.

    Pairs that are the same to the bit count once: a search of a small budget may not come to what
    its seed decides, and the same run over again says nothing of chance.
    """
    strata = []
    for target in finished.targets:
        runs = {run.seed: run for run in finished.of(first, target)}
        others = {run.seed: run for run in finished.of(second, target)}
        seeds = sorted(set(runs) & set(others))
        rows = dict.fromkeys(
            tuple(each[s].measure(name) for each in (runs, others) for name in MEASURES)
            for s in seeds
        )
        if rows:
            strata.append(tuple(np.split(np.array(list(rows)).T, 2)))
    return strata  # type: ignore[return-value]


def correct_for_questions(pairs: Sequence[PairComparison]) -> tuple[PairComparison, ...]:
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

    indices = tuple(np.arange(len(a)) for a in first)
    n_pairs = sum(len(a) for a in first)

    def means(values: Sequence[FloatArray], resampled: Sequence[Any]) -> FloatArray:
        each = [x[np.asarray(i)].mean(axis=-1) for x, i in zip(values, resampled, strict=True)]
        mean: FloatArray = np.mean(each, axis=0)
        return mean

    def interval(statistic: Any) -> tuple[float, float]:  # noqa: ANN401  scipy calls it with arrays
        found = stats.bootstrap(
            indices,
            statistic,
            n_resamples=N_RESAMPLES if n_pairs <= MANY_PAIRS else N_RESAMPLES_MANY,
            batch=1_000,
            vectorized=True,
            paired=False,
            confidence_level=CONFIDENCE,
            method="percentile",
            rng=np.random.default_rng(SEED),
        ).confidence_interval
        estimate = float(statistic(*indices))
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


def paired_p_value(differences: Sequence[FloatArray]) -> float:
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
    # With two pairs the correction is zero, and nothing is known.
    if n_free < 2:
        return math.nan
    spread = float(differences.std(ddof=1))
    if spread == 0.0:
        return math.nan
    return float(differences.mean()) / spread * (1.0 - 3.0 / (4.0 * n_free - 1.0))
