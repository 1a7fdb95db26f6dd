"""How measured parts become one loss, and weights by names of the trade."""

from __future__ import annotations

import doctest
import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from matcher.losses import (
    DEFAULT_WEIGHTS,
    LOSS_VERSION,
    PARTS,
    PRESETS,
    TERM_MEANINGS,
    TERM_WORDS,
    TERMS,
    breakdown,
    loss_change,
    terms,
    totals,
    weights_for,
)
from shared import FloatArray, ParameterError

SCORES = hnp.arrays(np.float64, (len(PARTS),), elements=st.floats(0.0, 100.0))
PART_NAMES = [part.name for part in PARTS]
WEIGHTS = st.dictionaries(st.sampled_from(TERMS), st.floats(0.01, 10.0))


def test_the_table_is_complete() -> None:
    """Nothing is measured that can't count, nothing counts twice, and all has words."""
    assert {part.term for part in PARTS} == set(TERMS) == set(DEFAULT_WEIGHTS)
    assert len({part.name for part in PARTS}) == len(PARTS)
    assert all(part.scale > 0.0 and part.meaning for part in PARTS)
    assert min(DEFAULT_WEIGHTS.values()) > 0.0
    assert all(TERM_MEANINGS[term] and TERM_WORDS[term] for term in TERMS)


def test_a_part_at_its_scale_counts_as_one() -> None:
    """1 is about one just-noticeable difference, in each term and so in the total."""
    joined = breakdown(np.array([part.scale for part in PARTS]))
    # 1e-12 here and below: rounding of a sum of a few numbers.
    assert joined.total == pytest.approx(1.0, rel=1e-12)
    assert list(joined.terms.values()) == pytest.approx([1.0] * len(TERMS), rel=1e-12)


@settings(max_examples=30)
@given(SCORES, WEIGHTS, st.integers(0, len(PARTS) - 1), st.floats(0.001, 10.0))
def test_the_total_is_the_weighted_mean_of_the_terms(
    score: FloatArray, weights: dict[str, float], i_part: int, more: float
) -> None:
    """What is printed adds up to what is minimised; more of any part is more loss."""
    joined = breakdown(score, weights)
    every = {**DEFAULT_WEIGHTS, **weights}
    expected = sum(every[t] * joined.terms[t] for t in TERMS) / sum(every.values())
    assert joined.total == pytest.approx(expected, rel=1e-12, abs=1e-300)
    assert list(joined.parts.values()) == score.tolist()
    worse = score.copy()
    worse[i_part] += more
    assert totals(worse[None, :]) > totals(score[None, :])


def test_only_the_ratio_of_the_weights_counts_and_0_switches_a_term_off() -> None:
    """All weights doubled: the same loss to the bit; one weight left: that term alone."""
    score = np.random.default_rng(3).random(len(PARTS))
    doubled = {term: 2.0 * weight for term, weight in DEFAULT_WEIGHTS.items()}
    assert totals(score[None, :], doubled) == totals(score[None, :])
    for term in TERMS:
        joined = breakdown(score, {name: float(name == term) for name in TERMS})
        assert joined.total == pytest.approx(joined.terms[term], rel=1e-12)


@pytest.mark.parametrize("n_rows", [1, 2, 15, 70])
def test_a_loss_does_not_depend_on_the_rows_around_it(n_rows: int) -> None:
    """To the bit: each row alone gives what it gives among others, and between other columns."""
    scores = np.random.default_rng(n_rows).random((n_rows, len(PARTS))) * 30.0
    together = totals(scores)
    assert together.shape == (n_rows,)
    alone = np.array([totals(row[None, :])[0] for row in scores])
    np.testing.assert_array_equal(together, alone)
    in_a_table = np.hstack([scores, scores])[:, 3 : 3 + len(PARTS)]
    np.testing.assert_array_equal(totals(in_a_table), totals(in_a_table.copy()))


def test_the_breakdown_is_plain_numbers() -> None:
    """JSON holds it without loss."""
    score = np.random.default_rng(4).random(len(PARTS))
    joined = breakdown(score)
    back = json.loads(json.dumps(joined.to_dict()))
    assert back["total"] == joined.total
    assert back["terms"] == dict(joined.terms)
    assert back["parts"] == dict(zip((part.name for part in PARTS), score.tolist(), strict=True))


@pytest.mark.parametrize(
    ("name", "first"), [("balanced", None), ("attack first", "onset"),
                        ("movement first", "modulation")]
)  # fmt: skip
def test_a_preset_weighs_every_term_and_puts_its_own_first(name: str, first: str | None) -> None:
    """The same audible step costs most where the name says so, and more than when balanced."""
    weights = weights_for(name)
    assert tuple(weights) == TERMS
    assert min(weights.values()) > 0.0
    if first is not None:
        steps = {}
        for term in TERMS:
            score = np.array([part.scale if part.term == term else 0.0 for part in PARTS])
            steps[term] = totals(score[None, :], weights)[0]
            if term == first:
                assert steps[term] > totals(score[None, :], weights_for())[0]
        assert max(steps, key=lambda each: steps[each]) == first


@settings(max_examples=20)
@given(st.sampled_from(list(PRESETS)), WEIGHTS)
def test_single_weights_win_over_a_preset_and_over_the_defaults(
    name: str, single: dict[str, float]
) -> None:
    """What was said is kept, nothing else changes."""
    assert weights_for(single) == {**DEFAULT_WEIGHTS, **single}
    assert weights_for(name, **single) == {**weights_for(name), **single}


@pytest.mark.parametrize("name", PRESETS)
def test_weights_are_named_whatever_their_size(name: str) -> None:
    """Only ratios count, so only ratios name; a preset with one weight changed has no name."""
    for factor in (0.3, 1.0, 7.0):
        scaled = {term: factor * weight for term, weight in weights_for(name).items()}
        assert terms.preset_of(scaled) == name
    assert terms.preset_of(weights_for(name, pitch=0.0)) is None
    assert terms.preset_of({}) == "balanced"


@pytest.mark.parametrize(
    ("weights", "single", "message"),
    [
        ("atack first", {}, r'"atack first" aren\'t known; they must .*Did you mean attack first'),
        ("", {}, r'"" aren\'t known; they must be one of balanced, attack first, movement first'),
        ("balanced", {"onsets": 1.0}, r"weight onsets: no such term\. Did you mean onset"),
        ({"xyz": 1.0}, {}, r"weight xyz: no such term\. .*spectral, onset, envelope"),
        ({"onset": -1.0}, {}, "-1.0.*must be 0 or more.*, and one of them must be above 0"),
        ({"onset": float("nan")}, {}, "nan.*must be 0 or more"),
        ({"onset": float("inf")}, {}, "inf.*must be 0 or more"),
        ({"onset": "2"}, {}, "'2'.*must be 0 or more"),
        ({"onset": None}, {}, "None.*must be 0 or more"),
        (dict.fromkeys(TERMS, 0.0), {}, "one of them must be above 0"),
        ({"onset": 10**400}, {}, "must be 0 or more"),
    ],
)
def test_what_cannot_be_weighed_is_refused(
    weights: object, single: dict[str, float], message: str
) -> None:
    """The message holds what was given, what is accepted, and the nearest name."""
    with pytest.raises(ParameterError, match=message):
        weights_for(weights, **single)  # type: ignore[arg-type]
    if not isinstance(weights, str):
        with pytest.raises(ParameterError, match=message):
            totals(np.zeros((1, len(PARTS))), weights)  # type: ignore[arg-type]


def test_the_tables_cannot_be_changed() -> None:
    """No caller changes the loss of another one, or what a name means."""
    for table in (DEFAULT_WEIGHTS, PRESETS, PRESETS["attack first"]):
        with pytest.raises(TypeError):
            table["onset"] = 1.0  # type: ignore[index]


def test_the_examples_hold() -> None:
    """What the docstrings show is what comes out."""
    assert doctest.testmod(terms).failed == 0


@pytest.mark.parametrize(
    ("version", "parts", "said"),
    [
        (LOSS_VERSION, PART_NAMES, ""),
        ("", PART_NAMES, ""),
        ("0", PART_NAMES, f"scales or weights differ (version 0 then, {LOSS_VERSION} now)"),
        ("", PART_NAMES[1:], "spectrum_db did not count then"),
        ("0", [*PART_NAMES, "hiss_db"], "hiss_db no longer counts"),
    ],
    ids=["today", "before versions", "scales", "a new part", "an old part"],
)
def test_what_was_measured_otherwise_is_said(version: str, parts: list[str], said: str) -> None:
    """By the names of the parts, or by the version where these are the same."""
    assert loss_change(version, parts) == said
