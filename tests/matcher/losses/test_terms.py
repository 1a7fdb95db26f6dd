"""How measured parts become one loss."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from matcher.losses import DEFAULT_WEIGHTS, PARTS, TERMS, breakdown, totals
from shared import FloatArray, ParameterError

SCORES = hnp.arrays(np.float64, (len(PARTS),), elements=st.floats(0.0, 100.0))
ONE_OR_MORE_WEIGHTS = st.dictionaries(st.sampled_from(TERMS), st.floats(0.01, 10.0))


def test_every_part_belongs_to_a_term_and_every_term_has_a_weight() -> None:
    """The table is complete: nothing is measured that can't count, nothing counts twice."""
    assert {part.term for part in PARTS} == set(TERMS) == set(DEFAULT_WEIGHTS)
    assert len({part.name for part in PARTS}) == len(PARTS)
    assert all(part.scale > 0.0 and part.meaning for part in PARTS)
    assert min(DEFAULT_WEIGHTS.values()) > 0.0


def test_a_part_at_its_scale_counts_as_one() -> None:
    """1 is about one just-noticeable difference, in each term and so in the total."""
    joined = breakdown(np.array([part.scale for part in PARTS]))
    # 1e-12 here and below: rounding of a sum of a few numbers.
    assert joined.total == pytest.approx(1.0, rel=1e-12)
    assert list(joined.terms.values()) == pytest.approx([1.0] * len(TERMS), rel=1e-12)


@given(SCORES, ONE_OR_MORE_WEIGHTS)
def test_the_total_is_the_weighted_mean_of_the_terms(
    score: FloatArray, weights: dict[str, float]
) -> None:
    """What the printout lists adds up to what the search minimises."""
    joined = breakdown(score, weights)
    every = {**DEFAULT_WEIGHTS, **weights}
    expected = sum(every[t] * joined.terms[t] for t in TERMS) / sum(every.values())
    assert joined.total == pytest.approx(expected, rel=1e-12, abs=1e-300)
    assert list(joined.parts.values()) == score.tolist()


@given(SCORES)
def test_only_the_ratio_of_the_weights_counts(score: FloatArray) -> None:
    """All weights doubled: the same loss to the bit."""
    doubled = {term: 2.0 * weight for term, weight in DEFAULT_WEIGHTS.items()}
    assert totals(score[None, :], doubled) == totals(score[None, :])


@pytest.mark.parametrize("term", TERMS)
def test_with_one_weight_the_total_is_that_term(term: str) -> None:
    """A weight of 0 switches a term off."""
    score = np.random.default_rng(3).random(len(PARTS))
    joined = breakdown(score, {name: float(name == term) for name in TERMS})
    assert joined.total == pytest.approx(joined.terms[term], rel=1e-12)


@given(st.integers(1, 70), st.integers(0, 2**31))
def test_a_loss_does_not_depend_on_the_rows_around_it(n_rows: int, seed: int) -> None:
    """To the bit: each row alone gives what it gives among others."""
    scores = np.random.default_rng(seed).random((n_rows, len(PARTS))) * 30.0
    together = totals(scores)
    assert together.shape == (n_rows,)
    alone = np.array([totals(row[None, :])[0] for row in scores])
    np.testing.assert_array_equal(together, alone)
    # As they lie in a record, between other columns.
    in_a_table = np.hstack([scores, scores])[:, 3 : 3 + len(PARTS)]
    np.testing.assert_array_equal(totals(in_a_table), totals(in_a_table.copy()))


@given(SCORES, st.integers(0, len(PARTS) - 1), st.floats(0.001, 10.0))
def test_more_difference_is_more_loss(score: FloatArray, i_part: int, more: float) -> None:
    """Each part pulls the loss up, whatever the others are."""
    worse = score.copy()
    worse[i_part] += more
    assert totals(worse[None, :]) > totals(score[None, :])


def test_the_breakdown_is_plain_numbers() -> None:
    """JSON holds it without loss."""
    score = np.random.default_rng(4).random(len(PARTS))
    joined = breakdown(score)
    back = json.loads(json.dumps(joined.to_dict()))
    assert back["total"] == joined.total
    assert back["terms"] == dict(joined.terms)
    assert back["parts"] == dict(zip((part.name for part in PARTS), score.tolist(), strict=True))


@pytest.mark.parametrize(
    ("weights", "message"),
    [
        ({"onsets": 1.0}, r'weight onsets: no such term\. .*"?onset"?'),
        ({"xyz": 1.0}, r"weight xyz: no such term\. .*spectral, onset, envelope"),
        ({"onset": -0.5}, "-0.5.*numbers of 0 or more, one of them above 0, are accepted"),
        ({"onset": float("nan")}, "nan.*numbers of 0 or more"),
        ({"onset": float("inf")}, "inf.*numbers of 0 or more"),
        (dict.fromkeys(TERMS, 0.0), "numbers of 0 or more, one of them above 0"),
    ],
    ids=["misspelt", "unknown", "negative", "nan", "infinite", "all zero"],
)
def test_weights_out_of_range_are_refused(weights: dict[str, float], message: str) -> None:
    """The message says which weight, and what is accepted."""
    with pytest.raises(ParameterError, match=message):
        totals(np.zeros((1, len(PARTS))), weights)


def test_the_default_weights_cannot_be_changed() -> None:
    """No caller changes the loss of another one."""
    with pytest.raises(TypeError):
        DEFAULT_WEIGHTS["onset"] = 2.0  # type: ignore[index]
