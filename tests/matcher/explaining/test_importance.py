"""Importance over the search: on evaluations of which the answer is known."""

from __future__ import annotations

import numpy as np
import pytest

from matcher.explaining.importance import search_importance
from matcher.optimise import SearchRecord


@pytest.fixture
def record(rng: np.random.Generator) -> SearchRecord:
    """Return 400 evaluations in which the second parameter decides and the third never moved."""
    candidates = rng.random((400, 4))
    candidates[:, 2] = 0.5
    losses = 0.1 * candidates[:, 0] + 4.0 * np.abs(candidates[:, 1] - 0.3)
    record = SearchRecord(["tune_cents", "filter.cutoff_hz", "noise.level", "note1.phase0"])
    record.append(candidates, losses)
    return record


def test_each_measure_says_what_it_is(record: SearchRecord) -> None:
    """PED-ANOVA over all and within the best quarter, then fANOVA on a sample, named as such."""
    names = ["tune_cents", "filter.cutoff_hz", "noise.level"]
    found = search_importance(record, names, n_fanova=20)
    assert found.n_evaluations == 400
    assert [(m.method, m.scope, m.n_evaluations) for m in found.measures] == [
        ("PED-ANOVA", "all evaluations", 400),
        ("PED-ANOVA", "best quarter", 100),
        ("fANOVA", "sample", 20),
    ]


def test_what_decides_comes_first(record: SearchRecord) -> None:
    """The parameter that moves the loss has the largest share; what never moved has none."""
    names = ["tune_cents", "filter.cutoff_hz", "noise.level"]
    for measure in search_importance(record, names, n_fanova=20).measures:
        shares = measure.importances
        assert set(shares) == set(names)
        assert max(shares, key=lambda name: shares[name]) == "filter.cutoff_hz"
        assert shares["noise.level"] == 0.0
        # 1e-9: rounding of a sum of three quotients.
        assert sum(shares.values()) == pytest.approx(1.0, abs=1e-9)


def test_the_same_seed_gives_the_same_shares(record: SearchRecord) -> None:
    """Samples and trees are drawn from the seed alone."""
    names = ["tune_cents", "filter.cutoff_hz"]
    once, again = (
        search_importance(record, names, n_evaluations=200, n_fanova=20, seed=3) for _ in range(2)
    )
    assert once == again


def test_too_few_evaluations_tell_nothing() -> None:
    """Below fifty evaluations no share is given, instead of a made-up one."""
    record = SearchRecord(["tune_cents"])
    record.append(np.linspace(0.0, 1.0, 49)[:, None], np.linspace(0.0, 1.0, 49))
    assert search_importance(record, ["tune_cents"]).measures == ()
