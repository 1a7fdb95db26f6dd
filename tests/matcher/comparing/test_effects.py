"""Differences between structures, against scipy, worked cases and simulated runs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from matcher.comparing import Effect, PairComparison, effects
from matcher.comparing.effects import holm, paired_effect
from matcher.comparing.outcome import MEASURES
from matcher.losses import TERMS
from tests.matcher.comparing.made_runs import comparison_of, made_run, simulated_losses

FIRST = np.array([4.1, 3.6, 5.0, 4.4, 3.9])
SECOND = np.array([3.0, 3.1, 3.9, 3.8, 2.7])
N_SIMULATED = 250
# Three standard errors of a share of 250.
TOLERANCE = 0.041


def test_the_chance_is_that_of_students_t_for_pairs() -> None:
    """One target: scipy's own test of pairs."""
    effect = paired_effect("total", [FIRST], [SECOND])
    expected = stats.ttest_rel(SECOND, FIRST).pvalue
    # 1e-12: the same formula in another order of operations.
    assert effect.p_value == pytest.approx(expected, rel=1e-12)


def test_the_interval_is_scipys_stretched_for_few_pairs() -> None:
    """The percentile interval of scipy, its distance from the estimate times t / z * sqrt(5 / 4).

    Student's t for 4 degrees of freedom is 2.776, the normal quantile 1.960 (any table).
    """
    found = stats.bootstrap(
        (SECOND - FIRST,),
        np.mean,
        n_resamples=effects.N_RESAMPLES,
        batch=1_000,
        method="percentile",
        rng=np.random.default_rng(effects.SEED),
    ).confidence_interval
    stretch = 2.776 / 1.960 * math.sqrt(5.0 / 4.0)
    expected = [-0.9 + stretch * (end + 0.9) for end in found]
    effect = paired_effect("total", [FIRST], [SECOND])
    # 1e-3: the quantiles are rounded to three decimals.
    assert effect.difference_interval == pytest.approx(expected, rel=1e-3)


def test_the_chance_over_targets_is_welchs() -> None:
    """Two targets whose differences are set against each other: Welch's test in scipy.

    The mean over targets of d1 and -d2 is half the difference of their means, with the variance
    and the degrees of freedom of Welch (Satterthwaite's).
    """
    d1, d2 = np.array([0.5, 0.9, 0.7, 1.4, 0.2]), np.array([-0.3, 0.4, 0.1])
    zeros = [np.zeros(5), np.zeros(3)]
    effect = paired_effect("total", zeros, [d1, -d2])
    expected = stats.ttest_ind(d1, d2, equal_var=False).pvalue
    assert effect.p_value == pytest.approx(expected, rel=1e-12)


def test_the_same_run_over_again_tells_nothing_of_chance() -> None:
    """Three seeds that change nothing are one pair: no interval, and nothing is clear."""
    losses = {"plain": 4.2, "rich": 4.0}
    runs = [
        made_run(structure=name, seed=seed, loss=loss)
        for name, loss in losses.items()
        for seed in range(3)
    ]
    comparison = comparison_of(runs, evals=300)
    (pair,) = comparison.pairs
    effect = pair.effects["total"]
    assert (effect.n_pairs, effect.difference_interval, effect.is_clear) == (1, None, False)
    assert any("the same with several seeds" in note for note in comparison.notes)


def test_a_worked_case() -> None:
    """Means 4.2 and 3.3: 0.9 less, which is 21.4 %; Cohen's d for pairs as Hedges corrects it.

    Mean -0.9 over standard deviation 0.3240, times 1 - 3 / (4 * 4 - 1).
    """
    effect = paired_effect("total", [FIRST], [SECOND])
    assert effect.difference == pytest.approx(-0.9)
    assert effect.percent == pytest.approx(-21.43, abs=0.005)
    assert (effect.n_pairs, effect.share_better) == (5, 1.0)
    assert effect.standardised == pytest.approx(-0.9 / 0.324037 * (1.0 - 3.0 / 15.0), rel=1e-5)


def test_every_target_counts_alike() -> None:
    """A target with more seeds does not outweigh another."""
    effect = paired_effect(
        "total",
        [np.array([4.0, 4.0, 4.0, 4.0]), np.array([2.0, 2.0])],
        [np.array([3.0, 3.0, 3.0, 3.0]), np.array([4.0, 4.0])],
    )
    assert effect.difference == pytest.approx(0.5)


def test_holm_as_published() -> None:
    """A worked case: 0.01, 0.04, 0.03, 0.005 become 0.03, 0.06, 0.06, 0.02.

    Holm, 1979: the smallest times 4, the next times 3, and so on, never falling; the same as
    ``p.adjust(p, "holm")`` in R (from memory).
    """
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])


def test_chances_are_corrected_for_the_questions_asked() -> None:
    """Against "a": two losses in one half of the 5 %, ten terms in the other.

    So the smallest chance of the losses counts 2 * 2 times, that of the terms 2 * 10 times.
    """
    rng = np.random.default_rng(4)
    runs = [
        made_run(
            structure=name,
            seed=s,
            loss=3.0 + shift + 0.1 * rng.standard_normal(),
            terms={"onset": 3.0 + 3.0 * shift + 0.1 * rng.standard_normal()},
        )
        for name, shift in (("a", 0.0), ("b", -0.5), ("c", 0.1))
        for s in range(5)
    ]
    pairs = [pair for pair in comparison_of(runs).pairs if pair.first == "a"]

    def chance(name: str, second: str) -> float:
        first, others = (
            [run.measure(name) for run in runs if run.structure == structure]
            for structure in ("a", second)
        )
        return float(stats.ttest_rel(others, first).pvalue)

    losses = [chance("total", pair.second) for pair in pairs]
    terms = [chance(name, pair.second) for pair in pairs for name in TERMS]
    assert min(p.effects["total"].p_value for p in pairs) == pytest.approx(4 * min(losses))
    assert (len(pairs), len(terms)) == (2, 10)
    smallest = min(pair.effects[name].p_value for pair in pairs for name in TERMS)
    assert smallest == pytest.approx(20 * min(terms))


def test_pairs_are_of_the_same_target_and_seed() -> None:
    """A common offset of each seed cancels: differences of exactly -1 have no spread."""
    offsets = {0: 0.0, 1: 5.0, 2: 11.0}
    runs = [made_run(structure="a", seed=s, loss=2.0 + x) for s, x in offsets.items()]
    # In another order, and with a seed that "a" hasn't done.
    runs += [made_run(structure="b", seed=s, loss=1.0 + x) for s, x in reversed(offsets.items())]
    runs.append(made_run(structure="b", seed=7, loss=1000.0))
    effect = comparison_of(runs).pairs[0].effects["total"]
    assert effect.n_pairs == 3
    assert effect.difference_interval == pytest.approx((-1.0, -1.0))


def test_few_pairs_tell_little() -> None:
    """Of two there is no effect size, of one no interval, however large the difference.

    Hedges' correction for one degree of freedom is 0, which would say "no effect".
    """
    assert math.isnan(paired_effect("total", [FIRST[:2]], [SECOND[:2]]).standardised)
    effect = paired_effect("total", [np.array([9.0])], [np.array([1.0])])
    assert (effect.difference, effect.difference_interval) == (-8.0, None)
    assert math.isnan(effect.standardised)
    assert (effect.is_clear, effect.is_audible, effect.is_inaudible) == (False, False, False)


def test_equal_structures_differ_by_nothing() -> None:
    """The same runs under two names: no difference, no effect, half of the pairs."""
    effect = paired_effect("total", [FIRST], [FIRST.copy()])
    assert (effect.difference, effect.p_value, effect.share_better) == (0.0, 1.0, 0.5)
    assert effect.is_inaudible


def test_a_term_that_is_zero_has_no_percentage() -> None:
    """From nothing, no percentage; the difference in steps is still told."""
    effect = paired_effect("pitch", [np.zeros(5)], [np.full(5, 0.5)])
    assert math.isnan(effect.percent)
    assert effect.percent_interval is None
    assert effect.difference == 0.5


@pytest.mark.parametrize(
    ("interval", "claims"),
    [
        ((-2.0, -1.2), (True, True, False)),
        ((-1.4, -0.6), (True, False, False)),
        ((-0.6, -0.2), (True, False, True)),
        ((-0.6, 0.4), (False, False, True)),
        ((-1.6, 0.4), (False, False, False)),
    ],
    ids=["audible", "clear", "clear, not heard", "not heard", "not told"],
)
def test_what_an_interval_allows_to_say(
    interval: tuple[float, float], claims: tuple[bool, bool, bool]
) -> None:
    """Audible only if all of the interval is, inaudible only if all of it is."""
    effect = paired_effect("total", [FIRST], [SECOND])
    changed = replace(effect, difference_interval=interval, difference=sum(interval) / 2.0)
    assert (changed.is_clear, changed.is_audible, changed.is_inaudible) == claims


@pytest.fixture
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Resample as often as for many pairs, which is enough for the share that intervals hold."""
    monkeypatch.setattr(effects, "N_RESAMPLES", effects.N_RESAMPLES_MANY)


@pytest.mark.usefixtures("_quick")
@pytest.mark.parametrize(("n_targets", "n_seeds"), [(1, 3), (1, 5), (3, 5), (2, 10)])
def test_the_interval_holds_the_true_effect_as_often_as_it_says(
    n_targets: int, n_seeds: int
) -> None:
    """95 % of the intervals of simulated runs with a known effect hold it, also with 3 seeds."""
    rng = np.random.default_rng(20_261)
    hits = 0
    for _ in range(N_SIMULATED):
        first, second = simulated_losses(rng, n_targets, n_seeds, change=-0.5)
        low, high = paired_effect("total", first, second).difference_interval or (0.0, 0.0)
        hits += low <= -0.5 <= high
    assert hits / N_SIMULATED == pytest.approx(0.95, abs=TOLERANCE)


@pytest.mark.usefixtures("_quick")
def test_the_interval_in_percent_holds_the_true_percentage() -> None:
    """Runs whose losses are 38 % lower on average: so say 95 % of the intervals in percent."""
    rng = np.random.default_rng(38)
    hits = 0
    for _ in range(N_SIMULATED):
        first, second = (
            [scale * level * rng.gamma(20.0, 0.05, 5) for level in (2.0, 6.0)]
            for scale in (1.0, 0.62)
        )
        low, high = paired_effect("onset", first, second).percent_interval or (0.0, 0.0)
        hits += low <= -38.0 <= high
    assert hits / N_SIMULATED == pytest.approx(0.95, abs=TOLERANCE)


def test_false_claims_are_as_rare_as_they_should_be() -> None:
    """Where structures don't differ, a comparison of three names a difference in 5 % at most."""
    rng = np.random.default_rng(77)
    n_simulated, n_false = 600, 0
    for _ in range(n_simulated):
        pairs = [
            PairComparison("a", second, {name: _without_interval(name, rng) for name in MEASURES})
            for second in ("b", "c")
        ]
        corrected = effects.correct_for_questions(pairs)
        n_false += min(e.p_value for pair in corrected for e in pair.effects.values()) < 0.05
    # 0.05 and three standard errors of a share of 600.
    assert n_false / n_simulated <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / n_simulated)


def _without_interval(name: str, rng: np.random.Generator) -> Effect:
    """Simulate an effect that isn't there; the interval isn't needed here and takes longer."""
    first, second = simulated_losses(rng, 2, 5, change=0.0)
    differences = [b - a for a, b in zip(first, second, strict=True)]
    chance = effects.paired_p_value(differences)
    return Effect(name, 10, 0.0, 0.0, 0.0, None, 0.0, None, 0.0, 0.5, chance)
